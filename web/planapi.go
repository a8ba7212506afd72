package web

import (
	"net/http"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/web/past"
)

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
	ways := []fields{}
	for _, p := range planned.Plans {
		ways = append(ways, strategyOf(p))
	}
	return taggedJSON(w, r, spoken(fields{"asked": wanted.Now, "ready": wanted.ReadyAt, "vessel": planned.Vessel, "title": planned.Title, "from": planned.From, "ways": ways}, s.words.At(wanted.Now)))
}

// strategyOf is one way on the API; its name is what is asked for with way.
func strategyOf(p planner.Plan) fields {
	risk := func(r planner.Risk) fields {
		return fields{"under_chance": past.Number(r.Under), "over_chance": past.Number(r.Over)}
	}
	return fields{"name": p.Way, "title": p.Name(), "fits": p.Fits, "why": p.Why, "ready_at": p.Ready.Median, "ready_from": p.Ready.From, "ready_until": p.Ready.Until,
		"late_chance": past.Number(p.Late), "watched": risk(p.Watched), "clock": risk(p.Clock), "bulk_end_percent": past.Number(p.BulkEndPercent),
		"inoculation_percent": past.Number(p.InoculationPercent), "good_at": p.GoodAt, "notes": p.Notes, "steps": stepsOf(p.Steps)}
}

// sentences are said, each; never null.
func sentences(l *text.Localizer, list []bake.Said) []string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = l.Tell(s)
	}
	return out
}
