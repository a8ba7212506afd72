package web

import (
	"net/http"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/web/past"
)

type planJSON struct {
	Asked  time.Time      `json:"asked"`
	Ready  time.Time      `json:"ready"`
	Vessel string         `json:"vessel"`
	Title  string         `json:"title"`
	From   string         `json:"from"`
	Ways   []strategyJSON `json:"ways"`
}

type strategyJSON struct {
	Name               string      `json:"name"`  // as asked for with way
	Title              string      `json:"title"` // in words
	Fits               bool        `json:"fits"`
	Why                string      `json:"why"`
	ReadyAt            *time.Time  `json:"ready_at"`
	ReadyFrom          *time.Time  `json:"ready_from"`
	ReadyUntil         *time.Time  `json:"ready_until"`
	LateChance         past.Number `json:"late_chance"`
	Watched            riskJSON    `json:"watched"`
	Clock              riskJSON    `json:"clock"`
	BulkEndPercent     past.Number `json:"bulk_end_percent"`
	InoculationPercent past.Number `json:"inoculation_percent"`
	GoodAt             *time.Time  `json:"good_at"`
	Notes              []string    `json:"notes"`
	Steps              []stepJSON  `json:"steps"`
}

type riskJSON struct {
	Under past.Number `json:"under_chance"`
	Over  past.Number `json:"over_chance"`
}

// apiPlan answers with every way to the bread.
func (s *Server) apiPlan(w http.ResponseWriter, r *http.Request) error {
	for _, name := range []string{"ready", "air_c"} {
		if r.URL.Query().Get(name) == "" {
			return Problem{Title: "unusable request", Status: http.StatusBadRequest,
				Detail: name + " is missing: ready is when the bread is to be sliced, like 2026-03-14T18:05:00+01:00; air_c the air where the dough stands, in Celsius."}
		}
	}
	form := s.planForm(r.URL.Query())
	wanted, err := s.planRequestOf(form)
	var planned Planned
	if err == nil {
		planned, err = s.opt.Planner.Plan(r.Context(), wanted)
	}
	if err != nil {
		return err
	}
	zone := s.zone()
	out := planJSON{Asked: stamp(wanted.Now, zone), Ready: stamp(wanted.ReadyAt, zone), Vessel: planned.Vessel, Title: planned.Title, From: planned.From, Ways: []strategyJSON{}}
	for _, p := range planned.Plans {
		out.Ways = append(out.Ways, strategyOf(p, zone, s.words.At(wanted.Now)))
	}
	return taggedJSON(w, r, out)
}

// strategyOf is one way on the API.
func strategyOf(p planner.Plan, zone *time.Location, l *text.Localizer) strategyJSON {
	n := func(v float64) past.Number { return past.Number(v) }
	return strategyJSON{Name: p.Way, Title: l.Tell(p.Name()), Fits: p.Fits, Why: l.Tell(p.Why...), ReadyAt: optional(p.Ready.Median, zone), ReadyFrom: optional(p.Ready.From, zone),
		ReadyUntil: optional(p.Ready.Until, zone), LateChance: n(p.Late), Watched: riskJSON{n(p.Watched.Under), n(p.Watched.Over)},
		Clock: riskJSON{n(p.Clock.Under), n(p.Clock.Over)}, BulkEndPercent: n(p.BulkEndPercent), InoculationPercent: n(p.InoculationPercent),
		GoodAt: optional(p.GoodAt, zone), Notes: sentences(l, p.Notes), Steps: stepsOf(p.Steps, zone, l)}
}

// sentences are said, each; never null.
func sentences(l *text.Localizer, list []bake.Said) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = l.Tell(s)
	}
	return out
}
