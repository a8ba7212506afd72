package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web/glance"
	"tidemark/web/past"
)

// nowPage is the page of one vessel, with a way to the others.
type nowPage struct {
	frame
	V        *vesselView // nil when no vessel is set up
	Problems []string
}

// vesselView is one vessel as the templates see it.
type vesselView struct {
	glance.Glance
	State        Vessel
	ID           string
	CanAct, Demo bool
	Drawn        drawn // of the rise under way
}

// stepView is one line of the table of steps.
type stepView struct {
	glance.Words
	At                   time.Time
	When, Length, Window string
	State                string // "done", "left", "now", "next", ""
	Tap                  *glance.Tap
}

// glance is a vessel at first sight.
func (s *Server) glance(snap Snapshot, v Vessel, canAct bool) glance.Glance {
	return glance.Of(glance.Input{State: v.State, Alarms: v.Alarms, ByHand: v.byHand(), ClockInDoubt: !snap.System.ClockSet, Reading: !canAct}, s.words)
}

// byHand reports whether nothing measures the level of a vessel.
func (v Vessel) byHand() bool {
	return len(v.Sensors) > 0 && !slices.ContainsFunc(v.Sensors, func(x SensorHealth) bool { return x.Quantity == "distance" })
}

// pageNow answers with the page of one vessel: the one asked for, else the first that
// wants a hand, else the first in which something is under way.
func (s *Server) pageNow(w http.ResponseWriter, r *http.Request) error {
	snap := s.opt.Live.Snapshot()
	if len(snap.Vessels) == 0 && s.opt.Setup != nil && s.mayAct(r) {
		http.Redirect(w, r, "/settings", http.StatusSeeOther) // nothing rises before it is set up
		return nil
	}
	p := nowPage{frame: s.frame(w, r, "tidemark", "now"), Problems: s.problems(snap)}
	i := s.shown(snap, r.URL.Query().Get("vessel"))
	if i >= 0 {
		v := s.view(r.Context(), snap, i, p.CanAct)
		p.V, p.Title, p.Chips = &v, v.Chip+" · "+v.Name, s.chips(snap, i)
	}
	return s.render(w, http.StatusOK, "now", p)
}

// shown is the vessel that a page shows; -1 when there is none.
func (s *Server) shown(snap Snapshot, asked string) int {
	best, rank := -1, 9
	for i, v := range snap.Vessels {
		if v.Vessel == asked {
			return i
		}
		if n := s.rank(snap, v); n < rank {
			best, rank = i, n
		}
	}
	return best
}

// rank is how much a vessel is worth showing first; 0 comes first.
func (s *Server) rank(snap Snapshot, v Vessel) int {
	g := s.glance(snap, v, true)
	switch {
	case v.ProofOf != "":
		return 4
	case g.Calls:
		return 0
	case v.RiseID != 0 && v.Holds == estimator.Dough || v.After != nil:
		return 1
	case g.RiseID != 0 || g.Status == bake.StatusPlanned || g.Judge:
		return 2
	}
	return 3
}

// chips are the vessels, each in a word. The one shown has its name above already.
func (s *Server) chips(snap Snapshot, shown int) []chipView {
	var out []chipView
	for i, v := range snap.Vessels {
		g := s.glance(snap, v, true)
		out = append(out, chipView{ID: fmt.Sprintf("c%d", i), Vessel: v.Vessel, Name: glance.Upper(v.Vessel), Word: g.Chip, Calls: g.Calls, Shown: i == shown})
	}
	return out
}

// view turns a vessel into what the templates show.
func (s *Server) view(ctx context.Context, snap Snapshot, i int, canAct bool) vesselView {
	v := snap.Vessels[i]
	out := vesselView{Glance: s.glance(snap, v, canAct), State: v, ID: fmt.Sprintf("v%d", i), CanAct: canAct, Demo: v.Demo || s.opt.Demo}
	if v.RiseID != 0 {
		out.Drawn = s.drawnOf(ctx, snap, i, v)
	}
	return out
}

// Advice is what the loaves judged last say of the target; nil for nothing.
func (v vesselView) Advice() *advice {
	if !v.CanAct || v.Main != nil {
		return nil
	}
	return v.Drawn.judged.advice(v.State.State)
}

// Planned reports whether the dough of a vessel can be planned, StaysOut whether it can be
// asked what becomes of the one that rises in it.
func (v vesselView) Planned() bool {
	return v.State.Holds == estimator.Dough && v.RiseID == 0 && v.State.ProofOf == ""
}

// StaysOut: see Planned.
func (v vesselView) StaysOut() bool {
	return v.State.Holds == estimator.Dough && v.RiseID != 0 && len(v.State.Estimate.Fan) > 0 && !v.State.InFridge
}

// Probe reports whether a sensor measures how warm the dough is.
func (v vesselView) Probe() bool {
	return slices.ContainsFunc(v.State.Sensors, func(x SensorHealth) bool { return x.Sensor == "dough" && x.Status == "ok" })
}

// steps is the table of what was and what comes, in order of time.
func (s *Server) steps(state bake.State) []stepView {
	l := s.words.At(state.At)
	list := slices.Clone(state.Steps)
	slices.SortStableFunc(list, func(a, b bake.Step) int { return when(a).Compare(when(b)) })
	var out []stepView
	next := true
	for _, x := range list {
		row := stepView{At: when(x), When: l.Clock(when(x)), Words: glance.StepOf(x, l), Length: s.span(x.Takes)}
		under := x.State == bake.DueNow || x.State == bake.Started
		switch {
		case x.State == bake.Done:
			row.State = "done"
		case x.State == bake.Skipped:
			row.State = "left"
		case under && x.Hands:
			row.State = "now"
		case under:
			row.State = "under"
		case next && x.Hands:
			row.State, next = "next", false
		}
		if row.State == "done" || row.State == "left" {
			row.Do, row.Caution = "", ""
		} else if x.Hands && x.Question.Key == "" {
			row.Tap = &glance.Tap{Kind: bake.EventDone, Step: x.ID, Label: glance.TapLabel(x, l)}
			if x.ID == bake.ShapeID {
				row.Tap.Kind = bake.EventShaped
			}
		}
		if x.State == bake.Waiting && x.Until.Sub(x.From) >= leastDoubt {
			row.Window = l.Clock(x.From) + " – " + l.Clock(x.Until)
		}
		out = append(out, row)
	}
	return append(out, s.care(state)...)
}

// care is the timetable of a fed starter.
func (s *Server) care(state bake.State) []stepView {
	c := state.Care
	if c == nil {
		return nil
	}
	l := s.words.At(state.At)
	var out []stepView
	times := []time.Time{c.Feed.At, c.UseFrom, c.Peak.Median, c.UseUntil, c.Hungry.Median, c.NextFeed}
	for i, key := range []string{"fed", "best", "peak", "best_ends", "hungry", "feed_by"} {
		at := times[i]
		row := stepView{At: at, When: l.Clock(at), Words: glance.Words{Name: s.say("care."+key, nil)}}
		switch {
		case at.IsZero():
			continue
		case !at.After(state.At):
			row.State = "done"
		case key == "peak" && c.Peak.Until.Sub(c.Peak.From) >= leastDoubt:
			row.Window = l.Clock(c.Peak.From) + " – " + l.Clock(c.Peak.Until)
		}
		out = append(out, row)
	}
	slices.SortStableFunc(out, func(a, b stepView) int { return a.At.Compare(b.At) })
	return out
}

// when is when a step was done, or falls.
func when(x bake.Step) time.Time {
	if (x.State == bake.Done || x.State == bake.Skipped) && !x.Finished.IsZero() {
		return x.Finished
	}
	return x.At
}

// span says a length of time; empty for none.
func (s *Server) span(d time.Duration) string {
	if d < time.Minute {
		return ""
	}
	return s.words.Span(d)
}

// told lists what people told, newest first.
func told(state bake.State) []bake.Event {
	events := slices.DeleteFunc(slices.Clone(state.Events), func(e bake.Event) bool { return e.ID == 0 || !e.Kind.CanUndo() })
	slices.Reverse(events)
	return events
}

// facts are the numbers of a vessel, those that are known.
func (s *Server) facts(v Vessel) []past.Fact {
	l, e, look := s.words.At(v.At), &v.Estimate, v.Estimate.LookRequest
	known := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	rises, seen := v.RiseID != 0, v.RiseID != 0 && known(e.RisePercent)
	var out []past.Fact
	for _, x := range []struct {
		key   string
		known bool
		value string
	}{
		{"rise", seen, s.say("fact.give_or_take", text.Values{"percent": e.RisePercent, "sd": l.Number(1.28*e.RiseSD, 0)})},
		{"rate", seen, s.say("fact.an_hour", text.Values{"percent": e.RatePercentPerHour})},
		{"look", !look.IsZero(), s.say("fact.look_worth", text.Values{"span": look.Now, "then": look.Then})},
		{"target", rises, l.Percent(e.TargetPercent)},
		{"chance", rises && known(e.ReachChance) && v.Holds == estimator.Dough && !e.ReadyIsPast, l.Percent(100 * math.Min(e.ReachChance, 0.99))},
		{"ceiling", rises && known(e.CeilingPercent) && e.CeilingPercent > 0, l.Percent(e.CeilingPercent)},
		{"dough", known(e.DoughC) && !e.Time.IsZero(), l.TempFine(e.DoughC)},
		{"air", known(e.AirC) && !e.Time.IsZero(), l.TempFine(e.AirC)},
		{"humidity", v.AirHumidity > 0, l.Percent(100 * v.AirHumidity)},
		{"feed", v.Feed != "", v.Feed},
	} {
		if x.known {
			out = append(out, past.Fact{Name: s.say("fact."+x.key, nil), Value: x.value})
		}
	}
	return out
}

// sensor tells how a sensor does.
func (s *Server) sensor(x SensorHealth, now time.Time) string {
	key := "sensor.ok"
	switch {
	case x.Status == "ok":
	case x.LastOK.IsZero():
		key = "sensor.never"
	default:
		key = "sensor.lost"
	}
	return s.words.At(now).Say("page."+key, text.Values{"sensor": s.say("sensor.name."+x.Sensor, nil), "at": x.LastOK, "reason": x.Reason})
}

// problems are the troubles of the service itself, in words.
func (s *Server) problems(snap Snapshot) []string {
	var out []string
	if p := snap.System.StoreProblem; p != "" {
		out = append(out, p)
	}
	out = append(out, snap.System.ChannelProblems...)
	return append(out, snap.System.Notes...)
}

// planLines say how the plan of a vessel stands.
func (s *Server) planLines(p *bake.PlanState, now time.Time) []string {
	if p == nil {
		return nil
	}
	l := s.words.At(now)
	lines := []string{l.Say("page.plan.stands", text.Values{"wanted": p.Wanted})}
	if !p.Ready.IsZero() {
		lines = append(lines, l.Say("page.plan.ready", text.Values{"at": p.Ready.Median, "from": p.Ready.From, "until": p.Ready.Until}))
		if moved := p.Ready.Median.Sub(p.Planned.Median); !p.Planned.IsZero() && moved.Abs() >= leastDoubt {
			lines = append(lines, l.Say("page.plan.had", text.Values{"at": p.Planned.Median}))
		}
	}
	return lines
}

// finding is something that can be seen in a jar, and what it means.
type finding struct {
	Name string
	bake.Finding
}

// lookFor is what a person should look for in a jar; what ends it comes first.
func (s *Server) lookFor() []finding {
	var out []finding
	for _, seen := range []string{bake.SawMould, bake.SawLiquid} {
		out = append(out, finding{glance.Upper(s.words.Say("starter.look."+seen, nil)), bake.Seen(seen)})
	}
	return out
}
