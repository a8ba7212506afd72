package web

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web/say"
)

// frame is what every page shares.
type frame struct {
	Title      string
	Here       string // "now", "rises", "house"
	Token      string // guards forms against other sites
	Said       string // answer to the last act
	Demo       bool
	HasHistory bool
	HasPlan    bool
	Version    string
	ClockNote  string
	CanAct     bool
}

// frame fills in the shared part for one reader.
func (s *Server) frame(w http.ResponseWriter, r *http.Request, title, here string) frame {
	snap := s.snapshot()
	f := frame{Title: title + " · tidemark", Here: here, Token: s.gate.formToken(w, r), Demo: s.opt.Demo,
		HasHistory: s.opt.History != nil, HasPlan: s.opt.Planner != nil, Version: snap.System.Version, CanAct: s.gate.mayAct(r)}
	f.Said = s.said(w, r)
	return f
}

// nowPage is the page of what is rising.
type nowPage struct {
	frame
	Vessels  []vesselView
	Problems []string
}

// vesselView is one vessel as the templates see it.
type vesselView struct {
	ID, Name, HoldsWord, Batch string
	Demo                       bool
	RiseID                     int64
	Answer                     say.Answer
	Plan                       []string // how the plan stands, sentences
	PlanLink                   string   // to plan a bake; empty where none can be
	PlanPending                bool     // the dough of the plan is not there yet
	AskOut                     bool     // what if it stays out can be answered
	Short                      string
	Firing                     bool // a warning stands that nobody has seen
	Alarms                     []alarmView
	Wide, Narrow               template.HTML
	Rows                       []say.Row
	CanAct                     bool
	Token                      string
	Start                      bool
	Batches                    []string
	Buttons                    []buttonView
	DueStep                    *bake.Step
	Undo                       *undoView
	OtherUndo                  []undoView
	Target                     string
	SensorLine                 string
	Measurable                 bool // its page for measuring is there
	Sensors                    []string
	After                      *afterView
	Care                       *careView
	Stands                     string
}

type alarmView struct {
	ID, Title, Text, StateLine string
	Lang                       string // of title and text; empty for the page's
	Quiet                      bool   // acknowledged, snoozed or over
}

type buttonView struct {
	Kind  ActKind
	Label string
}

type undoView struct {
	ID         int64
	Word, When string
}

// pageNow answers with the page of what is rising.
func (s *Server) pageNow(w http.ResponseWriter, r *http.Request) {
	snap := s.snapshot()
	p := nowPage{frame: s.frame(w, r, "Now", "now"), Problems: problems(snap, s.opt.House)}
	for i, v := range snap.Vessels {
		view := s.view(r.Context(), snap, i, v, p.CanAct)
		view.Token = p.Token
		p.Vessels = append(p.Vessels, view)
	}
	underWayFirst(p.Vessels)
	s.render(w, http.StatusOK, "now", p)
}

// underWayFirst puts vessels with a rise or a bake under way before the others,
// and what only stands for another vessel after it. Otherwise they keep their
// order.
func underWayFirst(v []vesselView) {
	slices.SortStableFunc(v, func(a, b vesselView) int { return a.rank() - b.rank() })
}

// rank is where a vessel stands on the page, the first being 0.
func (out *vesselView) rank() int {
	switch {
	case out.RiseID == 0 && out.After == nil:
		return 2
	case out.Stands != "":
		return 1
	}
	return 0
}

// render writes a page, or a plain fault when its template fails.
func (s *Server) render(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, name, data); err != nil {
		s.opt.Log.Error("page could not be made", "page", name, "error", err)
		http.Error(w, "This page could not be made; the log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

// view turns a vessel into what the templates show.
func (s *Server) view(ctx context.Context, snap Snapshot, i int, v Vessel, canAct bool) vesselView {
	h := s.opt.House
	sv := say.Vessel{Name: v.Name, Holds: v.Holds, Estimate: v.Estimate, Steps: v.Steps, InFridge: v.InFridge, Now: snap.At, After: v.After, Care: v.Care}
	out := vesselView{ID: fmt.Sprintf("v%d", i), Name: v.Name, HoldsWord: say.Content(v.Holds), Batch: v.Batch,
		Demo: v.Demo && !s.opt.Demo, RiseID: v.RiseID, Answer: say.For(sv, h), CanAct: canAct, Batches: v.Batches,
		Measurable: s.opt.Level != nil,
		Start:      v.RiseID == 0, Target: fmt.Sprintf("%.0f", v.TargetPercent)}
	if v.RiseID != 0 || len(v.Steps) > 0 {
		out.Rows = say.Table(sv, sayDeeds(v.Deeds), h)
	}
	if v.RiseID != 0 {
		out.Wide, out.Narrow = s.charts.get(ctx, s, snap, i, v)
		out.Buttons = buttons(v)
	}
	out.Short = say.Short(sv, h)
	out.Alarms = alarmViews(v.Alarms, snap.At, h, out.Answer)
	for i := range out.Alarms {
		out.Alarms[i].Lang = s.opt.MessageLanguage
	}
	out.Firing = slices.ContainsFunc(out.Alarms, func(a alarmView) bool { return !a.Quiet })
	out.DueStep = dueStep(v.Steps)
	out.bread(v, snap.At, h)
	s.planParts(&out, v, snap.At)
	out.undos(v, snap.At, h)
	out.SensorLine, out.Sensors = sensorLines(v, snap.At, h)
	return out
}

// undos offers the last deed that can be undone, and the earlier ones apart.
func (out *vesselView) undos(v Vessel, now time.Time, h say.House) {
	words := deedWords(v.Deeds)
	for i, d := range slices.Backward(v.Deeds) {
		if !d.CanUndo {
			continue
		}
		u := undoView{ID: d.ID, Word: words[i], When: h.Moment(d.At, now)}
		if out.Undo == nil {
			out.Undo = &u
		} else {
			out.OtherUndo = append(out.OtherUndo, u)
		}
	}
}

// dueStep is the first step that should be done now.
func dueStep(steps []bake.Step) *bake.Step {
	for i := range steps {
		if steps[i].State == bake.DueNow {
			return &steps[i]
		}
	}
	return nil
}

// buttons are the acts that make sense for a rise under way.
func buttons(v Vessel) []buttonView {
	var out []buttonView
	switch {
	case v.ProofOf != "":
	case v.Holds == estimator.Starter:
		out = append(out, buttonView{ActFed, "Fed"})
	case !v.InFridge:
		out = append(out, buttonView{ActFold, "Folded"})
	}
	if v.InFridge {
		out = append(out, buttonView{ActCounter, "Back to the counter"})
	} else {
		out = append(out, buttonView{ActFridge, "Into the fridge"})
	}
	switch {
	case v.ProofOf != "":
		out = append(out, buttonView{ActEnd, "Emptied"})
	case v.Holds != estimator.Starter:
		out = append(out, buttonView{ActShaped, "Shaped"}, buttonView{ActBaked, "Baked"})
	}
	return out
}

// alarmViews are the alarms that are still worth showing. When the answer says
// already that the vessel is not seen or that a step is due, the warning about
// it is not told twice.
func alarmViews(alarms []alert.Alarm, now time.Time, h say.House, a say.Answer) []alarmView {
	said := func(k alert.Kind) bool {
		return a.Due && k == alert.StepDue || a.Blind != "" && (k == alert.SensorLost || k == alert.SensorSuspect)
	}
	var out []alarmView
	for _, a := range alarms {
		v := alarmView{ID: a.ID, Title: a.Title, Text: a.Text}
		if said(a.Kind) {
			v.Text = ""
		}
		switch a.State {
		case alert.Firing:
		case alert.Acknowledged:
			v.Quiet, v.StateLine, v.Text = true, "Seen "+h.At(a.AckedAt, now)+byWhom(a.AckedBy), ""
		case alert.Snoozed:
			v.Quiet, v.StateLine, v.Text = true, "Reminds again "+h.At(a.SnoozedUntil, now), ""
		default:
			continue
		}
		out = append(out, v)
	}
	return out
}

func byWhom(by string) string {
	if by == "" {
		return ""
	}
	return " by " + by
}

// sensorLines tell how the sensors do: one line for all, and each.
func sensorLines(v Vessel, now time.Time, h say.House) (string, []string) {
	var lines, bad []string
	for _, x := range v.Sensors {
		line := x.Sensor + ": "
		switch {
		case x.Status == "ok" && x.Quantity == "humidity" && v.AirHumidity > 0:
			line += fmt.Sprintf("%.0f %%, read %s", 100*v.AirHumidity, h.At(x.LastOK, now))
		case x.Status == "ok":
			line += "read " + h.At(x.LastOK, now)
		case x.LastOK.IsZero():
			line += x.Reason + "; never read"
		default:
			line += x.Reason + "; last read " + h.At(x.LastOK, now)
		}
		if n := x.Restarts + x.Resets; n > 0 {
			line += fmt.Sprintf("; brought back %d times", n)
		}
		if x.Status != "ok" {
			bad = append(bad, x.Sensor)
		}
		lines = append(lines, line)
	}
	if len(bad) > 0 {
		return "Sensors: no reading from " + strings.Join(bad, ", "), lines
	}
	return "Sensors: all answer", lines
}

// problems are the troubles of the service itself, in words.
func problems(snap Snapshot, _ say.House) []string {
	var out []string
	if p := snap.System.StoreProblem; p != "" {
		out = append(out, p)
	}
	if !snap.System.ClockSet {
		out = append(out, "The clock of this machine is not set yet, so times may be wrong. It sets itself once the network is there.")
	}
	out = append(out, snap.System.ChannelProblems...)
	return append(out, snap.System.Notes...)
}
