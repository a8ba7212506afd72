package alert

import (
	"time"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// Plan is what a household took on for a vessel. The zero Plan is none.
type Plan struct {
	Wanted  time.Time        // when the bread is to be sliced
	Planned time.Time        // most likely ready by the plan when it was taken on
	Ready   estimator.Window // as the steps stand now; zero when nothing is to come
}

// The reasons of plan_moved.
const (
	ReadyLater  = "later"
	ReadySooner = "sooner"
)

// The limits of plan_moved: told beyond the first, over below the second, told
// anew in steps of the third. This project's choice.
const (
	planMovedBy   = 30 * time.Minute
	planMovedBack = 15 * time.Minute
	planMovedStep = 30 * time.Minute
	planMovedHold = 10 * time.Minute
)

// planMoved: the bread of a plan will not be ready when the plan had it.
func planMoved(l *look) []finding {
	p := l.Plan
	f := finding{kind: PlanMoved, ripe: true, hold: planMovedHold, reason: ReadyLater}
	if p.Ready.IsZero() || p.Planned.IsZero() {
		return []finding{f}
	}
	moved := p.Ready.Median.Sub(p.Planned)
	limit := planMovedBy
	if l.active(PlanMoved) {
		limit = planMovedBack
	}
	if moved < 0 {
		f.reason = ReadySooner
	}
	f.on = moved.Abs() >= limit
	f.at = p.Planned.Add(moved.Round(planMovedStep))
	f.say = func() words { return sayPlanMoved(l, f.reason) }
	return []finding{f}
}

// sayPlanMoved words that the bread's time has moved.
func sayPlanMoved(l *look, reason string) words {
	t, p := l.t, l.Plan
	v := text.Values{
		"vessel": l.Vessel, "wanted": p.Wanted, "planned": p.Planned, "at": p.Ready.Median,
		"from": p.Ready.From, "until": p.Ready.Until,
	}
	title, do := "plan_moved.title", reason
	if reason == ReadySooner {
		title = "plan_moved.title.sooner"
	}
	if p.Ready.Median.After(p.Wanted) {
		do = "too_late"
	}
	return words{t.Say(title, v), join(t.Say("plan_moved.text", v), t.Say("plan_moved.do."+do, v))}
}
