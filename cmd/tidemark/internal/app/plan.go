package app

import (
	"context"
	"fmt"
	"slices"
	"sync"
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

// planService plans for the page, one request at a time: a plan takes a small machine
// a second. It keeps the last plans, because the page, the calendar and the event
// that takes a plan on ask for the same.
type planService struct {
	app     *App
	mu      sync.Mutex
	request planner.Request // of made
	key     string
	made    web.Planned
}

// Plan plans a bake with the household's own rises and feedings.
func (d *planService) Plan(ctx context.Context, w web.PlanRequest) (web.Planned, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, made, err := d.plan(ctx, w)
	return made, err
}

// plan plans, or takes the plans of the last request when it was the same.
func (d *planService) plan(ctx context.Context, w web.PlanRequest) (planner.Request, web.Planned, error) {
	w.Now = w.Now.Truncate(time.Minute)
	query := w
	query.Way = ""
	key := fmt.Sprint(query)
	if d.key == key {
		return d.request, d.made, nil
	}
	if err := ctx.Err(); err != nil {
		return planner.Request{}, web.Planned{}, err
	}
	request, out, err := d.app.request(ctx, w)
	if err != nil {
		return request, out, err
	}
	if out.Plans, err = planner.Make(request); err != nil {
		return request, out, err
	}
	d.request, d.key, d.made = request, key, out
	return request, out, nil
}

// Feedings says how the starter is fed so that it peaks at the time asked for.
func (d *planService) Feedings(ctx context.Context, w web.PlanRequest) ([]planner.Feeding, error) {
	request, _, err := d.app.request(ctx, w)
	if err != nil {
		return nil, err
	}
	return planner.Feedings(request)
}

// Choose returns the plan of the way that a request names, as its vessel begins to follow
// it.
func (d *planService) Choose(ctx context.Context, w web.PlanRequest) (*bake.Chosen, error) {
	d.mu.Lock()
	request, made, err := d.plan(ctx, w)
	d.mu.Unlock()
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(made.Plans, func(x planner.Plan) bool { return x.Way == w.Way })
	if i < 0 || len(made.Plans[i].Steps) == 0 {
		return nil, bake.Refuse("no_way", nil)
	}
	return &bake.Chosen{Way: made.Plans[i].Way, Wanted: request.ReadyAt, Fridge: request.Fridge(), Total: made.Plans[i].TotalPercent, Process: made.Plans[i].Process}, nil
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
	request.Away = append(request.Away, a.absences(w.Now)...)
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
	request.OvenTaken = a.ovenTaken(v.Name)
	out := web.Planned{Title: request.Batch.Name, Vessel: v.Name}
	said := worked()
	if a.opt.Store != nil {
		if said, err = LearnInto(ctx, a.opt.Store, v.Name, &request, a.opt.Demo); err != nil {
			return request, out, err
		}
	}
	out.From = a.words.Tell(said)
	return request, out, nil
}

// absences lists when nobody is there from now on, as was told in any vessel.
func (a *App) absences(now time.Time) []bake.Span {
	var out []bake.Span
	for _, v := range a.order {
		v.mu.Lock()
		for _, x := range bake.Absences(v.state.Events) {
			if x.Until.After(now) {
				out = append(out, bake.Span{From: x.From, Until: x.Until})
			}
		}
		v.mu.Unlock()
	}
	return out
}

// ovenTaken lists when the bakes of the other vessels have the oven.
func (a *App) ovenTaken(vessel string) []bake.Span {
	var out []bake.Span
	for _, v := range a.order {
		v.mu.Lock()
		if span, ok := planner.OvenSpan(v.state.Steps); ok && v.name != vessel {
			out = append(out, span)
		}
		v.mu.Unlock()
	}
	return out
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
