package web

import (
	"bytes"
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
	Form    planForm
	Wrong   string
	Plans   []planner.Plan
	Shown   *planner.Plan // nil before anything was asked
	Days    []planDay     // its timetable
	Vessel  string        // to take it on for; empty when it cannot be
	Instead string        // why not, or what gives way
	Good    string        // the way there, when it is too tight
	From    string
	Feeds   []string // how to feed the starter so that it peaks then
	Live    []string // what becomes of the dough that rises now
}

// Wares are what a bread may be baked in.
func (planPage) Wares() []string { return []string{"pot", "tin", "stone", "tray"} }

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
		err = s.fillPlan(r.Context(), &p)
	case q.Get("peak") != "":
		err = s.fillFeedings(r.Context(), &p)
	case q.Has("out"):
		err = s.fillLive(&p)
	}
	if err != nil {
		status, p.Wrong = s.wrong(err)
	}
	return s.render(w, status, "plan", p)
}

// fillPlan plans and puts the answer into the page.
func (s *Server) fillPlan(ctx context.Context, p *planPage) error {
	wanted, err := s.planRequestOf(p.Form)
	if err != nil {
		return err
	}
	planned, shown, err := s.planFor(ctx, wanted)
	if err != nil {
		return err
	}
	plan := planned.Plans[shown]
	p.From, p.Plans, p.Shown, p.Days = planned.From, planned.Plans, &plan, s.planDays(plan.Steps)
	p.Form.Set("way", plan.Way)
	p.Vessel, p.Instead = s.takers(planned.Vessel)
	if len(plan.Steps) > 0 && !plan.Fits && !plan.GoodAt.IsZero() {
		p.Good = "/plan?" + p.Form.with("asked", "", "way", "", "ready", plan.GoodAt.In(s.zone()).Format(formTime))
	}
	return nil
}

// fillFeedings says how the starter is fed so that it peaks at a time.
func (s *Server) fillFeedings(ctx context.Context, p *planPage) error {
	wanted, err := s.planRequestOf(p.Form)
	if err != nil {
		return err
	}
	if wanted.ReadyAt = p.Form.moment("peak", wanted.Now); p.Form.err != nil {
		return p.Form.err
	}
	feedings, err := s.opt.Planner.Feedings(ctx, wanted)
	l := s.words.At(wanted.Now)
	for _, f := range feedings {
		p.Feeds = append(p.Feeds, l.Tell(f.Said()...))
	}
	return err
}

// fillLive answers for the doughs that rise now alone.
func (s *Server) fillLive(p *planPage) error {
	until := p.Form.moment("out", p.Form.now)
	if p.Form.err != nil {
		return p.Form.err
	}
	if p.Live = s.staysOut(until); len(p.Live) == 0 {
		return refuse("no_forecast", nil)
	}
	return nil
}

// takers says whether the plan can be taken on, and what would give way to it.
func (s *Server) takers(vessel string) (name, instead string) {
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

// staysOut says what becomes of the doughs that rise now.
func (s *Server) staysOut(until time.Time) []string {
	var out []string
	for _, v := range s.opt.Live.Snapshot().Vessels {
		if said := glance.StaysOut(v.StaysOut(until), v.At, s.words); said != "" {
			out = append(out, v.Vessel+": "+said)
		}
	}
	return out
}

// planCalendar sends one plan as a calendar.
func (s *Server) planCalendar(w http.ResponseWriter, r *http.Request) error {
	wanted, err := s.planRequestOf(s.planForm(r.URL.Query()))
	var planned Planned
	var shown int
	if err == nil {
		planned, shown, err = s.planFor(r.Context(), wanted)
	}
	if err == nil && len(planned.Plans[shown].Steps) == 0 {
		err = Refusal{Said: bake.Said{Key: "page.refused.no_timetable", Values: text.Values{"why": planned.Plans[shown].Why}}}
	}
	if err != nil {
		return err
	}
	b := calendar.Bake{ID: "plan-" + wanted.ReadyAt.UTC().Format("20060102T1504Z"), Title: planTitle(planned),
		Steps: planned.Plans[shown].Steps, Stamp: wanted.Now, Alarm: planAlarm,
		Speak: func(x bake.Said) string { return s.words.At(wanted.Now).Tell(x) }}
	var body bytes.Buffer
	if err := calendar.Write(&body, b); err != nil {
		return err
	}
	attachment(w, "text/calendar; charset=utf-8", "tidemark-plan-"+wanted.ReadyAt.Format("2006-01-02")+".ics")
	_, _ = w.Write(body.Bytes())
	return nil
}

func planTitle(p Planned) string {
	if p.Title == "" {
		return "Bread"
	}
	return p.Title
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
