package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/web/past"
)

// planWishJSON is a plan as an act of the API asks for it. Times are RFC 3339.
type planWishJSON struct {
	Asked     string  `json:"asked"`
	Ready     string  `json:"ready"`
	AirC      float64 `json:"air_c"`
	WarmC     float64 `json:"warm_c"`
	NoFridge  bool    `json:"no_fridge"`
	RipeUntil string  `json:"ripe_until"`
	AwayFrom  string  `json:"away_from"`
	AwayUntil string  `json:"away_until"`
	MilkOK    bool    `json:"milk_in_the_warm"`
	Way       string  `json:"way"`
}

type planJSON struct {
	Asked  time.Time `json:"asked"`
	Ready  time.Time `json:"ready"`
	Vessel string    `json:"vessel"`
	Title  string    `json:"title"`
	From   string    `json:"from"`
	Ways   []wayJSON `json:"ways"`
}

type wayJSON struct {
	Name               string       `json:"name"`  // as asked for with way
	Title              string       `json:"title"` // in words
	Fits               bool         `json:"fits"`
	Why                string       `json:"why"`
	ReadyAt            *time.Time   `json:"ready_at"`
	ReadyFrom          *time.Time   `json:"ready_from"`
	ReadyUntil         *time.Time   `json:"ready_until"`
	LateChance         past.Number  `json:"late_chance"`
	Watched            riskJSON     `json:"watched"`
	Clock              riskJSON     `json:"clock"`
	BulkEndPercent     past.Number  `json:"bulk_end_percent"`
	InoculationPercent past.Number  `json:"inoculation_percent"`
	GoodAt             *time.Time   `json:"good_at"`
	Notes              []string     `json:"notes"`
	Steps              []stepJSON   `json:"steps"`
	LeftOut            *outlookJSON `json:"left_out"`
}

type riskJSON struct {
	Under past.Number `json:"under_chance"`
	Over  past.Number `json:"over_chance"`
}

type outlookJSON struct {
	Until time.Time   `json:"until"`
	P10   past.Number `json:"p10_percent"`
	P50   past.Number `json:"p50_percent"`
	P90   past.Number `json:"p90_percent"`
	riskJSON
	Text string `json:"text"`
}

// wish is the wish of an act or a query, read strictly.
func (in planWishJSON) wish(now time.Time) (PlanWish, error) {
	w := PlanWish{Now: now.Truncate(time.Minute), AirC: in.AirC, WarmC: in.WarmC, NoFridge: in.NoFridge, MilkInTheWarm: in.MilkOK, Way: in.Way}
	for _, f := range []struct {
		name, text string
		into       *time.Time
	}{{"ready", in.Ready, &w.ReadyAt}, {"ripe_until", in.RipeUntil, &w.RipeUntil}, {"away_from", in.AwayFrom, &w.AwayFrom},
		{"away_until", in.AwayUntil, &w.AwayUntil}, {"asked", in.Asked, &w.Now}} {
		if f.text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, f.text)
		if err != nil {
			return w, Refuse("%s is %q; write it like 2026-03-14T18:05:00+01:00.", f.name, f.text)
		}
		*f.into = t.In(now.Location())
	}
	switch {
	case w.ReadyAt.IsZero():
		return w, Refuse("ready is missing: say when the bread is to be sliced, like 2026-03-14T18:05:00+01:00.")
	case w.AwayFrom.IsZero() != w.AwayUntil.IsZero() || w.AwayFrom.After(w.AwayUntil):
		return w, Refuse("away_from and away_until go together: from when until when nobody is at home.")
	case w.Now.After(now) || now.Sub(w.Now) > planKeeps:
		return w, Refuse("asked must lie within the last %.0f minutes: the ways are too old to choose from; ask again.", planKeeps.Minutes())
	}
	return w, nil
}

// wishQuery reads the query of the API.
func wishQuery(q url.Values) (planWishJSON, error) {
	in := planWishJSON{Ready: q.Get("ready"), RipeUntil: q.Get("ripe_until"), Asked: q.Get("asked"), NoFridge: q.Get("no_fridge") == "true",
		AwayFrom: q.Get("away_from"), AwayUntil: q.Get("away_until"), MilkOK: q.Get("milk_in_the_warm") == "true"}
	for name, into := range map[string]*float64{"air_c": &in.AirC, "warm_c": &in.WarmC} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return in, Refuse("%s is %q; write a number of degrees Celsius.", name, text)
		}
		*into = v
	}
	if q.Get("air_c") == "" {
		return in, Refuse("air_c is missing: the expected air temperature where the dough stands, in Celsius.")
	}
	return in, nil
}

// apiPlan answers with every way to the bread.
func (s *Server) apiPlan(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	in, err := wishQuery(q)
	var wish PlanWish
	if err == nil {
		wish, err = in.wish(s.opt.Now().In(s.zone()))
		wish.Vessel = q.Get("vessel")
	}
	var until time.Time
	if out := q.Get("out_until"); err == nil && out != "" {
		if until, err = time.Parse(time.RFC3339, out); err != nil {
			err = Refuse("out_until is %q; write it like 2026-03-14T18:05:00+01:00.", out)
		}
	}
	var planned Planned
	if err == nil {
		planned, err = s.opt.Planner.Plan(r.Context(), wish)
	}
	if err != nil {
		s.planFailed(w, err)
		return
	}
	zone := s.zone()
	out := planJSON{Asked: stamp(wish.Now, zone), Ready: stamp(wish.ReadyAt, zone), Vessel: planned.Vessel, Title: planned.Title, From: planned.From, Ways: []wayJSON{}}
	for _, p := range planned.Plans {
		j := wayOf(p, zone, s.words.At(wish.Now))
		if !until.IsZero() {
			j.LeftOut = s.outlook(r.Context(), wish, p.Way, until)
		}
		out.Ways = append(out.Ways, j)
	}
	s.taggedJSON(w, r, out)
}

// outlook is what becomes of a way's dough that stays out; nil when nothing can be
// said.
func (s *Server) outlook(ctx context.Context, w PlanWish, way string, until time.Time) *outlookJSON {
	o, err := s.opt.Planner.LeftOut(ctx, w, way, until)
	if err != nil {
		return nil
	}
	return &outlookJSON{stamp(o.Until, s.zone()), past.Number(o.P10), past.Number(o.P50), past.Number(o.P90),
		riskJSON{past.Number(o.Under), past.Number(o.Over)}, s.words.At(w.Now).Tell(o.Said())}
}

// planFailed answers with a problem.
func (s *Server) planFailed(w http.ResponseWriter, err error) {
	status, why := s.planWrong(err)
	if status == http.StatusConflict {
		problem(w, http.StatusBadRequest, "unusable wish", why)
		return
	}
	problem(w, http.StatusInternalServerError, "no plan", why)
}

// wayOf is one way on the API.
func wayOf(p planner.Plan, zone *time.Location, l *text.Localizer) wayJSON {
	n := func(v float64) past.Number { return past.Number(v) }
	return wayJSON{Name: p.Way, Title: l.Tell(p.Name()), Fits: p.Fits, Why: l.Tell(p.Why...), ReadyAt: optional(p.Ready.Median, zone), ReadyFrom: optional(p.Ready.From, zone),
		ReadyUntil: optional(p.Ready.Until, zone), LateChance: n(p.Late), Watched: riskJSON{n(p.Watched.Under), n(p.Watched.Over)},
		Clock: riskJSON{n(p.Clock.Under), n(p.Clock.Over)}, BulkEndPercent: n(p.BulkEndPercent), InoculationPercent: n(p.InoculationPercent),
		GoodAt: optional(p.GoodAt, zone), Notes: told(l, p.Notes), Steps: stepsOf(p.Steps, zone, l)}
}

// told are sentences, each said; never null.
func told(l *text.Localizer, list []bake.Said) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = l.Tell(s)
	}
	return out
}
