package app

import (
	"context"
	"fmt"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// pastRises bounds how far back a feeding is looked for.
const pastRises = 500

// LearnInto takes into a request what past rises of dough in a vessel teach of its batch,
// and what the past feedings teach of the starter, and says what the plan is worked from.
// An empty vessel means all vessels. Invented rises count only when demo.
func LearnInto(ctx context.Context, s *history.Store, vessel string, w *planner.Request, demo bool) (bake.Said, error) {
	past, err := readLessons(ctx, s, vessel, func(id int64) bool {
		r, err := s.Rise(ctx, id)
		return err == nil && r.Holds == estimator.Dough && (demo || !r.Demo)
	})
	if err != nil && len(past) == 0 { // the service warns of what it cannot read
		return bake.Said{}, fmt.Errorf("what past rises taught cannot be read: %w", err)
	}
	var warmer []float64
	for _, l := range past {
		if l.Warmer != nil {
			warmer = append(warmer, *l.Warmer)
		}
	}
	w.WarmerC = bake.LearnWarmer(warmer)
	if len(past) > 0 {
		prior := bake.Learn(estimator.Dough, past, &w.Batch)
		w.Prior = &prior
	}
	if w.Starter.Past, err = feedsOf(ctx, s, demo); err != nil {
		return bake.Said{}, err
	}
	if len(past)+len(w.Starter.Past) == 0 {
		return worked(), nil
	}
	return bake.Said{Key: "plan.from.learned", Values: bake.Values{"rises": len(past), "feeds": len(w.Starter.Past)}}, nil
}

// worked says that a plan is worked from published values.
func worked() bake.Said { return bake.Said{Key: "plan.from.published"} }

// feedsOf reads the feedings of the starter that was fed last, oldest first: those
// with known amounts and a seen peak, which say how lively it is.
func feedsOf(ctx context.Context, s *history.Store, demo bool) ([]bake.PastFeed, error) {
	page, err := s.Rises(ctx, history.Filter{Limit: pastRises})
	if err != nil {
		return nil, fmt.Errorf("the past feedings cannot be read: %w", err)
	}
	i := slices.IndexFunc(page.Rises, func(r bake.Rise) bool { return r.Holds == estimator.Starter && (demo || !r.Demo) })
	if i < 0 {
		return nil, nil
	}
	feeds, err := readFeeds(ctx, s, page.Rises[i].Vessel, demo)
	if err != nil {
		return nil, fmt.Errorf("the past feedings cannot be read: %w", err)
	}
	return slices.DeleteFunc(feeds, func(f bake.PastFeed) bool { return f.Validate() != nil || !(f.PeakHours > 0) }), nil
}

// planned are the plans of the last request, because the page, the calendar and the event
// that takes a plan on ask for the same.
type planned struct {
	key     string
	request planner.Request
	web.Planned
}

// Plan plans a bake with the household's own rises and feedings, for web.Planner.
func (a *App) Plan(ctx context.Context, w web.PlanRequest) (web.Planned, error) {
	made, err := a.plan(ctx, w)
	return made.Planned, err
}

// plan plans, one request at a time: a plan takes a small machine a second.
func (a *App) plan(ctx context.Context, w web.PlanRequest) (planned, error) {
	a.planMu.Lock()
	defer a.planMu.Unlock()
	w.Now, w.Way = w.Now.Truncate(time.Minute), ""
	key := fmt.Sprint(w)
	if a.planned.key == key {
		return a.planned, nil
	}
	if err := ctx.Err(); err != nil {
		return planned{}, err
	}
	request, out, err := a.request(ctx, w)
	if err == nil {
		out.Plans, err = planner.Make(request)
	}
	made := planned{key, request, out}
	if err == nil {
		a.planned = made
	}
	return made, err
}

// Feedings says how the starter is fed so that it peaks at the time asked for, for
// web.Planner.
func (a *App) Feedings(ctx context.Context, w web.PlanRequest) ([]planner.Feeding, error) {
	request, _, err := a.request(ctx, w)
	if err != nil {
		return nil, err
	}
	return planner.Feedings(request)
}

// Choose returns the plan of the way that a request names, as its vessel begins to follow
// it, for web.Planner.
func (a *App) Choose(ctx context.Context, w web.PlanRequest) (*bake.Chosen, error) {
	made, err := a.plan(ctx, w)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(made.Plans, func(x planner.Plan) bool { return x.Way == w.Way })
	if i < 0 || len(made.Plans[i].Steps) == 0 {
		return nil, bake.Refuse("no_way", nil)
	}
	p := &made.Plans[i]
	return &bake.Chosen{Way: p.Way, Wanted: made.request.ReadyAt, Fridge: made.request.Fridge(), Total: p.TotalPercent, Process: p.Process}, nil
}

// zone is the household's.
func (a *App) zone() *time.Location {
	if z := a.opt.Config.Household.Zone; z != nil {
		return z
	}
	return time.UTC
}

// request turns what the page asks for into what the planner works from.
func (a *App) request(ctx context.Context, w web.PlanRequest) (planner.Request, web.Planned, error) {
	request := planner.Request{
		Now: w.Now.In(a.zone()), ReadyAt: w.ReadyAt, RoomC: w.AirC, WarmC: w.WarmC,
		NoFridge: w.NoFridge, Batch: bake.DefaultBatch(), Starter: planner.Starter{RipeUntil: w.RipeUntil, ColdDays: w.ColdDays}, MilkInTheWarm: w.MilkInTheWarm,
	}
	if !w.AwayUntil.IsZero() {
		request.Away = []bake.Span{{From: w.AwayFrom, Until: w.AwayUntil}}
	}
	v, err := a.doughVessel(w.Vessel)
	if err != nil {
		return request, web.Planned{}, err
	}
	if v.Batch != nil {
		request.Batch = *v.Batch
	}
	if w.Batch.Name != "" {
		request.Batch = w.Batch
	}
	if w.AtOnce > 0 {
		request.Batch.AtOnce = w.AtOnce
	}
	if w.BakeIn != "" {
		request.Batch.BakeIn = w.BakeIn
	}
	request.TargetPercent = v.TargetPercent
	request.Hours.BedMin, request.Hours.WakeMin = a.opt.Config.Household.Sleep()
	for _, other := range a.order { // who is away, as was told in any vessel, and when the others' bakes have the oven
		s := a.State(other.name)
		for _, x := range bake.Absences(s.Events) {
			if x.Until.After(w.Now) {
				request.Away = append(request.Away, x)
			}
		}
		if span, ok := planner.OvenSpan(s.Steps); ok && other.name != v.Name {
			request.OvenTaken = append(request.OvenTaken, span)
		}
	}
	out := web.Planned{Title: request.Batch.Name, Vessel: v.Name}
	said, err := LearnInto(ctx, a.opt.Store, v.Name, &request, a.opt.Demo)
	out.From = a.words.Tell(said)
	return request, out, err
}

// doughVessel is the named vessel, or the first that holds dough. Without any it
// is an empty one.
func (a *App) doughVessel(named string) (config.Vessel, error) {
	for _, w := range a.order {
		w.mu.Lock()
		v := w.config
		w.mu.Unlock()
		if v.Holds == estimator.Dough && v.ProofOf == "" && v.SampleOf == "" && (named == "" || v.Name == named) {
			return v, nil
		}
	}
	if named != "" {
		return config.Vessel{}, bake.Refuse("no_dough", text.Values{"vessel": named})
	}
	return config.Vessel{}, nil
}
