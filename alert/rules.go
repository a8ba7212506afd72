package alert

import (
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// observation is one input with what the rules need to know beside it.
type observation struct {
	Input
	ev      *Evaluator
	t       *text.Localizer // for this moment
	e       *estimator.Estimate
	watched bool // a rise is under way
	dough   bool // the vessel holds dough, not starter
	hot     *heating
	warming bool // the dough gets warmer at a pace worth waiting for
}

// rule says what it finds at one moment; a kind may have several conditions, one a
// sub key. A rule that returns nothing leaves its slots alone.
type rule func(*observation) []condition

// observation gathers what the rules need. Temperatures of the estimate stand in
// until some are observed.
func (e *Evaluator) observation(in Input) *observation {
	if in.Lead <= 0 {
		in.Lead = leadDefault
	}
	o := &observation{Input: in, ev: e, t: e.text.At(in.At), e: &in.Estimate, dough: in.Holds != estimator.Starter}
	o.watched = in.Estimate.Phase != "" && in.Estimate.Phase != estimator.Idle && in.Estimate.Phase != estimator.Ended
	e.oven.estimated(in.At, in.Estimate.DoughC, in.Estimate.AirC)
	o.hot = e.oven.take()
	o.warming = e.trend.add(in.At, in.Estimate.DoughC)
	return o
}

// active reports whether a kind is pending or open, so that the softer limit of its
// hysteresis holds.
func (o *observation) active(kind Kind) bool {
	s := o.ev.peek(kind)
	return s.open || !s.since.IsZero()
}

// open reports whether a kind is raised and not resolved.
func (o *observation) open(kind Kind) bool { return o.ev.peek(kind).open }

// seen reports since when a condition is seen; now when it is not.
func (o *observation) seen(kind Kind) time.Time { return orTime(o.ev.peek(kind).since, o.At) }

// sees reports whether the estimate rests on readings that make sense.
func (o *observation) sees() bool {
	return o.e.Quality == estimator.QualityOK || o.e.Quality == ""
}

// values returns what most sentences about a rise need.
func (o *observation) values() text.Values {
	e := o.e
	return text.Values{
		"vessel": o.Vessel, "percent": e.RisePercent, "mark_percent": e.TargetPercent,
		"peak_percent": e.PeakPercent, "ceiling_percent": e.CeilingPercent, "low_percent": e.CeilingLow, "fridge_percent": e.RisePercent + e.CarryOverPercent,
		"at": e.Ready.Median, "from": e.Ready.From, "until": e.Ready.Until, "since": e.PhaseSince,
		"of": o.ProofOf, "loaf": o.Loaf.By.Median,
	}
}

// words says a title and the sentences of some keys; empty keys are left out.
func (o *observation) words(v text.Values, title string, keys ...string) words {
	var said []string
	for _, k := range keys {
		if k != "" {
			said = append(said, o.t.Say(k, v))
		}
	}
	return words{o.t.Say(title, v), join(said...)}
}

// join puts sentences together, leaving out empty ones.
func join(parts ...string) string {
	var said []string
	for _, p := range parts {
		if p != "" {
			said = append(said, p)
		}
	}
	return strings.Join(said, " ")
}

// do returns the key of what to do, for what is in the vessel and whether it is a
// final proof; own names the plain key.
func (o *observation) do(key, own string) string {
	switch {
	case o.ProofBasis == "":
		return own
	case o.forSample() && o.t.Has(key+".sample"):
		return key + ".sample"
	}
	return key + ".proof"
}

// content is the last part of the keys that differ for dough and starter.
func (o *observation) content() string {
	if o.dough {
		return string(estimator.Dough)
	}
	return string(estimator.Starter)
}

// doubt returns the key that says when the estimate does not rest on readings; empty
// when it does.
func (o *observation) doubt() string {
	switch o.e.Quality {
	case estimator.QualityGap:
		return "note.blind"
	case estimator.QualitySuspect:
		return "note.unsure"
	}
	return ""
}

// forSample reports whether the vessel is a sample jar of a loaf that is told apart.
func (o *observation) forSample() bool { return o.ProofBasis == bake.SampleBasis && o.Loaf.Told }

// pastUse reports whether the vessel is a sample jar whose loaf has proofed: what
// goes on in it is of no use any more.
func (o *observation) pastUse() bool { return o.forSample() && o.Loaf.By.IsZero() }

// ahead reports whether the forecast names a moment still to come.
func (o *observation) ahead() bool {
	return !o.e.Ready.IsZero() && o.At.Sub(o.e.Ready.Median) < nearHold
}

// atTarget reports whether the target is reached, however far beyond.
func (o *observation) atTarget() bool {
	e := o.e
	return e.ReadyIsPast || e.Phase == estimator.Ready ||
		(e.Phase == estimator.Over && e.TargetPercent > 0 && e.RisePercent >= e.TargetPercent)
}

// near: the target is as likely as not less than the lead away. The condition is seen
// a hold time early, so that the warning comes at the lead and a single bad forecast,
// which does not last that long, does not raise it. Once told it follows the forecast
// wherever it goes.
func near(o *observation) []condition {
	if !o.watched || o.atTarget() || o.pastUse() {
		return []condition{{kind: Near}}
	}
	c := condition{kind: Near, reason: withinLead, hold: nearHold, say: func() words { return sayNear(o) }}
	told, even := o.open(Near), o.e.Even
	within := func(d time.Duration) bool {
		left := even.Sub(o.At)
		return told || !even.IsZero() && left <= d && left > -nearHold
	}
	c.on, c.ready = within(o.Lead+nearHold), within(o.Lead)
	if o.ahead() {
		c.at = o.e.Ready.Median
	}
	return []condition{c}
}

// sayNear words the near warning, and its update when the time has moved.
func sayNear(o *observation) words {
	title, told, stall := "near.title", "near.text", ""
	if !o.ahead() {
		title, told = "near.title.open", "near.text.open"
	} else if s := o.ev.peek(Near); s.open && !s.named.IsZero() {
		switch moved := o.e.Ready.Median.Sub(s.named); {
		case moved >= movedBy:
			title = "near.later.title"
		case moved <= -movedBy:
			title = "near.sooner.title"
		}
	}
	if o.e.ReachChance < stallChance && o.e.CeilingLow < o.e.TargetPercent {
		stall = "near.stall"
	}
	return o.words(o.values(), title, told, stall, o.do("near.do", "near.do."+o.content()), o.fridge("near"), o.doubt())
}

// reached: the dough is at the target.
func reached(o *observation) []condition {
	return []condition{{kind: Reached, on: o.watched && o.atTarget() && !o.pastUse(), ready: true, reason: atMark,
		hold: reachedHold, say: func() words {
			since := ""
			if at := o.e.Ready.Median; o.e.ReadyIsPast && !at.IsZero() && o.At.Sub(at) > 10*time.Minute {
				since = "reached.since"
			}
			return o.words(o.values(), "reached.title", "reached.text", since, o.do("reached.do", "reached.do."+o.content()), o.fridge("reached"), o.doubt())
		}}}
}

// fridge returns the key of what the fridge would do to dough now; empty for starter,
// when it is there already and when it is not known. It is offered only where what it
// still allows ends within what is right; else a bulk is told that it comes too late.
func (o *observation) fridge(prefix string) string {
	carry := o.e.CarryOverPercent
	if !o.dough || o.forSample() || o.InFridge || o.OverPercent == 0 || math.IsNaN(carry) || math.IsNaN(o.e.RisePercent) {
		return ""
	}
	late := o.e.RisePercent+carry > o.ColdPercent || o.e.RisePercent >= o.OverPercent
	switch {
	case !late:
		return prefix + ".fridge"
	case o.ProofBasis == "":
		return prefix + ".fridge.late"
	}
	return ""
}

// over: further on than the account of bake.Batch.Limits allows, growth ending, or sinking. It
// escalates when a worse reason comes up or it goes on for long. A sample jar runs
// ahead of its loaf, which is told apart.
func over(o *observation) []condition {
	if !o.watched || !o.dough || o.forSample() {
		return nil
	}
	e, beyond := o.e, math.Inf(-1)
	if o.atTarget() && o.OverPercent > 0 {
		beyond = e.RisePercent - o.OverPercent
	}
	past := beyond >= e.RiseSD || o.active(Over) && beyond >= 0
	c := condition{kind: Over, ready: true, hold: overHold, unknown: !o.sees() && !o.open(Over)}
	switch {
	case e.Phase == estimator.Fallen:
		c.reason, c.stage = fellBack, 2
	case e.Exhausted:
		c.reason, c.stage = noRiseLeft, 1
	case past && beyond >= overWorse:
		c.reason, c.stage = PastMark, 1
	case past:
		c.reason = PastMark
	default:
		return []condition{c}
	}
	c.on, c.priority = true, min(5, 4+c.stage)
	c.say = func() words {
		v, do := o.values(), "over.do."+c.reason
		if s := o.ev.peek(Over); !s.since.IsZero() && e.Phase != estimator.Fallen {
			v["since"] = s.since
		}
		return o.words(v, "over.title."+c.reason, "over.text."+c.reason, o.do(do, do))
	}
	return []condition{c}
}

// stageOf finds how bad an alarm of an earlier run was when last told.
func stageOf(a Alarm) int {
	switch {
	case a.Reason == fellBack:
		return 2
	case a.Reason == noRiseLeft, a.Reason == hardlyMoves, a.Kind == Over && a.Priority >= 5:
		return 1
	}
	return 0
}

// levelsOff: dough slows down and will most likely stop short of the target, or creeps
// towards it and may.
func levelsOff(o *observation) []condition {
	may := o.watched && o.dough && !o.InFridge && !o.atTarget() && !o.pastUse()
	c := condition{kind: LevelsOff, ready: true, unknown: o.watched && !o.sees(), reason: endsBelowMark, hold: levelsOffHold}
	if o.ProofBasis == "" {
		c.tap = bake.EventShaped // what it says to do
	}
	key := ""
	switch {
	case !may:
	case o.e.LevelsOffShort:
		c.on = true
	case o.e.ReachChance < creepsChance && o.e.EquivalentHours >= 2:
		c.on, c.reason, c.hold, key = true, mayEndBelow, creepsHold, ".may"
	}
	c.say = func() words {
		return o.words(o.values(), "levels_off.title"+key, "levels_off.text"+key, o.do("levels_off.do", "levels_off.do"))
	}
	return []condition{c}
}

func starterPeak(o *observation) []condition { return starterPhase(o, StarterPeak, estimator.Peak) }
func starterFalling(o *observation) []condition {
	return starterPhase(o, StarterFalling, estimator.Falling)
}

// starterPhase is the rule of one phase of a starter. It is held back from the
// beginning of the phase, which is kept over a restart.
func starterPhase(o *observation, kind Kind, phase estimator.Phase) []condition {
	if o.dough || !o.watched {
		return nil
	}
	c := condition{kind: kind, on: o.e.Phase == phase, ready: true, reason: string(phase), since: o.e.PhaseSince,
		hold: starterHold, say: func() words { return sayStarter(o, kind) }}
	if since := o.e.PhaseSince; c.on && !since.IsZero() {
		c.ready, c.hold = o.At.Sub(since) >= c.hold, 0
	}
	return []condition{c}
}

// sayStarter words the three states of a starter and the hours to come. Nothing is
// said to have sunk to where it stands.
func sayStarter(o *observation, kind Kind) words {
	v, key := o.values(), string(kind)
	told, care, weak := key+".text", "", ""
	if sank := math.Round(o.e.RisePercent) < math.Round(o.e.PeakPercent); !sank && o.t.Has(told+".level") {
		told += ".level"
	}
	if c := o.Care; c != nil {
		v["until"], v["hungry"] = c.UseUntil, c.Hungry.Median
		switch {
		case kind == StarterPeak && c.UseUntil.After(o.At):
			care = "care.use"
		case kind == StarterFalling && c.Hungry.Median.After(o.At):
			care = "care.hungry"
		}
		if len(o.Findings) > 0 && kind == StarterPeak {
			weak = "care.weak"
		}
	}
	return o.words(v, key+".title", told, key+".do", care, weak, o.doubt())
}

// starterHungry: seen hungry; or not seen, or in the cold, and due by the care of its
// feeds.
func starterHungry(o *observation) []condition {
	found := starterPhase(o, StarterHungry, estimator.Hungry)
	if len(found) == 0 || found[0].on || o.Care == nil || o.At.Before(o.Care.NextFeed) {
		return found
	}
	c := &found[0]
	switch {
	case o.InFridge:
		c.reason = InCold
	case !o.sees():
		c.reason = byTime
	default:
		return found // the sensor sees it, and says when
	}
	c.on, c.since = true, o.Care.NextFeed
	c.say = func() words {
		v, key := o.values(), string(StarterHungry)
		v["fed"], v["hungry"] = o.Care.Feed.At, o.Care.Hungry.Median
		return o.words(v, key+".title."+c.reason, key+".text."+c.reason, key+".do")
	}
	return found
}

// stepsDue: a step of the timetable should be done now, also after the rise. The end
// of a watched bulk is told by reached.
func stepsDue(o *observation) []condition {
	var found []condition
	for _, s := range o.Steps {
		found = append(found, condition{kind: StepDue, sub: s.ID, ready: true, reason: s.ID,
			on:  s.State == bake.DueNow && (!o.watched || s.ID != bake.BulkID),
			say: func() words { return sayStep(o, s) }})
	}
	return found
}

// sayStep words a step that is due.
func sayStep(o *observation, s bake.Step) words {
	v := text.Values{"vessel": o.Vessel, "step": s.Name, "do": s.Do, "from": s.From, "until": s.Until}
	window := ""
	if s.Until.After(s.From) {
		window = "step_due.window"
	}
	title, told, note := "step_due.title", "step_due.text", o.stepNote(s.ID, v)
	if note == "bread.core.not_done" { // the clock says out, the probe knows better
		title, told, window = "bread.core.wait.title", "bread.core.wait", ""
	}
	said := o.words(v, title, told, window, note)
	return words{said.title, join(said.text, o.t.Tell(s.Caution...))}
}

// stepNote returns the key of what is measured about a step of the bake after its
// bulk, and adds its values.
func (o *observation) stepNote(id string, v text.Values) string {
	a := o.After
	if a == nil {
		return ""
	}
	v["core_c"], v["low_c"], v["best_c"], v["high_c"], v["slice_c"] = a.CoreC, a.Done.LowC, a.Done.BestC, a.Done.MostC, a.SliceC
	switch known := !math.IsNaN(a.CoreC); {
	case id == bake.ProofID && a.Basis != "":
		return "bread.proof." + string(a.Basis)
	case id == bake.OutID && !a.DoneAt.IsZero():
		return "bread.core.done"
	case id == bake.OutID && known:
		return "bread.core.not_done"
	case id == bake.OutID:
		return "bread.core.none"
	case id == bake.SliceID && a.Probe && known && a.CoreC <= a.SliceC+1:
		return "bread.slice.core"
	case id == bake.SliceID:
		return "bread.slice.mass"
	}
	return ""
}

// planMovedDoubt: a forecast whose window is wider than so many times the move is
// too vague to move anything.
const planMovedDoubt = 4

// planMoved: the bread of a plan will not be ready when the plan had it.
func planMoved(o *observation) []condition {
	p := o.Plan
	c := condition{kind: PlanMoved, ready: true, hold: planMovedHold, reason: readyLater}
	if p == nil || p.Ready.IsZero() || p.Planned.IsZero() {
		return []condition{c}
	}
	planned := p.Planned.Median
	by, limit := p.Ready.Median.Sub(planned), planMovedBy
	if o.active(PlanMoved) {
		limit = planMovedBack
	}
	title := "plan_moved.title"
	if by < 0 {
		c.reason, title = readySooner, "plan_moved.title.sooner"
	}
	do := c.reason
	if p.Ready.Median.After(p.Wanted) {
		do = "too_late"
	}
	sure := o.active(PlanMoved) || p.Ready.Until.Sub(p.Ready.From) <= planMovedDoubt*by.Abs()
	c.on, c.at = by.Abs() >= limit && sure, planned.Add(by.Round(planMovedStep))
	c.say = func() words {
		return o.words(text.Values{"vessel": o.Vessel, "wanted": p.Wanted, "planned": planned, "at": p.Ready.Median,
			"from": p.Ready.From, "until": p.Ready.Until}, title, "plan_moved.text", "plan_moved.do."+do)
	}
	return []condition{c}
}
