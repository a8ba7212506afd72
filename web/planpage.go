package web

import (
	"bytes"
	"cmp"
	"context"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/calendar"
	"tidemark/bake/planner"
	"tidemark/web/glance"
)

// planAlarm is how long before a step with hands the calendar reminds.
const planAlarm = 10 * time.Minute

// planPage shows a plan and the other ways beside it.
type planPage struct {
	frame
	Planned Planned
	Form    planForm
	Wrong   string
	Shown   *planner.Plan // nil before anything was asked
	Taker   string        // the vessel to take it on for; empty when it cannot be
	Instead string        // why not, or what gives way
	Feeds   []planner.Feeding
	Live    []string // what becomes of the doughs that rise now
}

// Wares are what a bread may be baked in.
func (planPage) Wares() []string { return []string{"pot", "tin", "stone", "tray"} }

// Good is the address of the plan for when the way shown fits; empty when it does already.
func (p planPage) Good() string {
	if len(p.Shown.Steps) == 0 || p.Shown.Fits || p.Shown.GoodAt.IsZero() {
		return ""
	}
	return "/plan?" + p.Form.with("asked", "", "way", "", "ready", p.Shown.GoodAt.In(p.Form.now.Location()).Format(formTime))
}

// planDay is a day of a timetable.
type planDay struct {
	Day  time.Time
	Rows []planRow
}

// planRow is one step of a plan, with what of its caution was not said that day.
type planRow struct {
	bake.Step
	glance.Words
	Caution string
}

// planRoutes names the paths of the plan.
func (s *Server) planRoutes() {
	s.mux.HandleFunc("GET /plan", s.read(s.pagePlan))
	s.mux.HandleFunc("GET /plan.ics", s.read(s.planCalendar))
	s.mux.HandleFunc("GET /api/v1/plan", s.read(s.apiPlan))
}

// pagePlan shows the form and, once it is filled in, the timetable.
func (s *Server) pagePlan(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	p := planPage{frame: s.frame(w, r, s.say("plan.make", nil), "plan"), Form: s.planForm(q)}
	status := http.StatusOK
	var err error
	switch {
	case q.Has("ready"):
		var plan planner.Plan
		if _, p.Planned, plan, err = s.planned(r.Context(), p.Form); err == nil {
			p.Shown = &plan
			p.Form.Set("way", plan.Way)
			p.Taker, p.Instead = s.taker(p.Planned.Vessel)
		}
	case q.Get("peak") != "":
		wanted, _ := s.planRequestOf(p.Form)
		wanted.ReadyAt = p.Form.moment("peak", wanted.Now)
		if err = p.Form.err; err == nil {
			p.Feeds, err = s.opt.Planner.Feedings(r.Context(), wanted)
		}
	case q.Has("out"):
		p.Live, err = s.staysOut(p.Form)
	}
	if err != nil {
		status, p.Wrong = s.wrong(err)
	}
	return s.render(w, status, "plan", p)
}

// planned plans what a form asks and finds the way to show.
func (s *Server) planned(ctx context.Context, f planForm) (PlanRequest, Planned, planner.Plan, error) {
	wanted, err := s.planRequestOf(f)
	var planned Planned
	if err == nil {
		planned, err = s.opt.Planner.Plan(ctx, wanted)
	}
	if err != nil {
		return wanted, planned, planner.Plan{}, err
	}
	for _, p := range planned.Plans {
		if p.Way == wanted.Way || wanted.Way == "" {
			return wanted, planned, p, nil
		}
	}
	return wanted, planned, planner.Plan{}, refuse("no_way", nil)
}

// taker says whether the plan can be taken on, and what would give way to it.
func (s *Server) taker(vessel string) (name, instead string) {
	for _, v := range s.opt.Live.Snapshot().Vessels {
		switch {
		case v.Vessel != vessel:
			continue
		case v.RiseID != 0:
			return "", s.say("plan.rising", text.Values{"vessel": v.Vessel})
		case v.Plan != nil && v.Plan.Pending:
			instead = s.say("plan.instead_plan", text.Values{"vessel": v.Vessel})
		case slices.ContainsFunc(v.Steps, func(x bake.Step) bool { return x.Hands && (x.State == bake.Waiting || x.State == bake.DueNow) }):
			instead = s.say("plan.instead_bake", text.Values{"vessel": v.Vessel})
		}
		return v.Vessel, instead
	}
	return "", s.say("plan.no_vessel", nil)
}

// staysOut says what becomes of the doughs that rise now, until when the form asks.
func (s *Server) staysOut(f planForm) ([]string, error) {
	until := f.moment("out", f.now)
	if f.err != nil {
		return nil, f.err
	}
	var out []string
	for _, v := range s.opt.Live.Snapshot().Vessels {
		if said := glance.StaysOut(v.StaysOut(until), v.At, s.words); said != "" {
			out = append(out, v.Vessel+": "+said)
		}
	}
	if len(out) == 0 {
		return nil, refuse("no_forecast", nil)
	}
	return out, nil
}

// planCalendar sends one plan as a calendar.
func (s *Server) planCalendar(w http.ResponseWriter, r *http.Request) error {
	wanted, planned, plan, err := s.planned(r.Context(), s.planForm(r.URL.Query()))
	if err == nil && len(plan.Steps) == 0 {
		err = refuse("no_timetable", text.Values{"why": plan.Why})
	}
	if err != nil {
		return err
	}
	b := calendar.Bake{ID: "plan-" + wanted.ReadyAt.UTC().Format("20060102T1504Z"), Title: cmp.Or(planned.Title, "Bread"),
		Steps: plan.Steps, Stamp: wanted.Now, Alarm: planAlarm,
		Speak: func(x bake.Said) string { return s.words.At(wanted.Now).Tell(x) }}
	var body bytes.Buffer
	if err := calendar.Write(&body, b); err != nil {
		return err
	}
	attachment(w, "text/calendar; charset=utf-8", "tidemark-plan-"+wanted.ReadyAt.Format("2006-01-02")+".ics")
	_, _ = w.Write(body.Bytes())
	return nil
}

// planDays lays the steps out by day. A caution is told once a day: the same one
// at every step would not be read.
func (s *Server) planDays(steps []bake.Step) []planDay {
	steps = slices.Clone(steps)
	slices.SortStableFunc(steps, func(a, b bake.Step) int { return a.At.Compare(b.At) })
	var days []planDay
	said := map[string]bool{}
	for _, st := range steps {
		if len(days) == 0 || s.words.Date(days[len(days)-1].Day) != s.words.Date(st.At) {
			days = append(days, planDay{Day: st.At})
			said = map[string]bool{}
		}
		w, d := glance.StepOf(st, s.words), &days[len(days)-1]
		d.Rows = append(d.Rows, planRow{st, w, unsaid(w.Caution, said)})
	}
	return days
}

// leastDoubt is the shortest window of a step worth a line.
const leastDoubt = 10 * time.Minute

// unsaid are the sentences of a caution that were not said yet.
func unsaid(caution string, said map[string]bool) string {
	var out []string
	for _, s := range strings.SplitAfter(caution, ". ") {
		if s = strings.TrimSpace(s); s != "" && !said[s] {
			said[s] = true
			out = append(out, s)
		}
	}
	return strings.Join(out, " ")
}

// windowOf is the window of a step when it is worth a line.
func (s *Server) windowOf(st bake.Step) string {
	if st.Until.Sub(st.From) < leastDoubt {
		return ""
	}
	l := s.words.At(st.At)
	return l.Moment(st.From) + " – " + l.Moment(st.Until)
}

// chance says how likely something is, in steps of 5 percent and never as certain.
func (s *Server) chance(c float64) string {
	return s.words.Percent(min(max(5*math.Round(20*c), 5), 95))
}
