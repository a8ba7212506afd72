package alert

import (
	"cmp"
	"maps"
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// observation is one input with what the rules need to know beside it.
type observation struct {
	Input
	ev      *Evaluator
	t       *text.Localizer // for this moment
	e       *estimator.Estimate
	past    bool // of an earlier run: nothing is told
	watched bool // a rise is under way
	dough   bool // the vessel holds dough, not starter
	hot     *heating
	warming bool // the dough gets warmer at a pace worth waiting for
}

// condition is what a rule says of its kind at one moment.
type condition struct {
	sub      string
	on       bool // it holds
	ready    bool // and may be told, once held
	unknown  bool // nothing can be said: neither on nor gone
	ends     bool // it is of no use any more and ends at once
	reason   string
	hold     time.Duration
	rearm    time.Duration  // at least recoveredAfter
	since    time.Time      // when it began, if the rule knows better
	stage    int            // 0, or more when it got worse
	at       time.Time      // the moment the text names, if any
	priority int            // overrides the kind's
	tap      bake.EventKind // what a button of the message tells as done; empty for none

	// What it says: a title, by default KIND.title, and sentences, by default KIND.text
	// and KIND.do; empty keys are left out. The values come beside those of every rule.
	title       string
	say         []string
	values      text.Values
	first, last string // said before and after
}

// rule says what it finds at one moment; a kind may have several conditions, one a
// sub key. That of a kind of a rise is asked only while one is watched.
type rule func(*observation) []condition

// one is a rule of one condition.
func one(find func(*observation) condition) rule {
	return func(o *observation) []condition { return []condition{find(o)} }
}

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

// slack is the hysteresis of a limit in C.
func (o *observation) slack(kind Kind) float64 {
	if o.active(kind) {
		return hysteresisC
	}
	return 0
}

// open reports whether a kind is raised and not resolved.
func (o *observation) open(kind Kind) bool { return o.ev.peek(kind).open }

// seen reports since when a condition is seen; now when it is not.
func (o *observation) seen(kind Kind) time.Time { return orTime(o.ev.peek(kind).since, o.At) }

// sees reports whether the estimate rests on readings that make sense.
func (o *observation) sees() bool {
	return o.e.Quality == estimator.QualityOK || o.e.Quality == ""
}

// words puts what a condition of a kind says into words.
func (o *observation) words(kind Kind, c condition) (title, told string) {
	e := o.e
	v := text.Values{
		"vessel": o.Vessel, "percent": e.RisePercent, "mark_percent": e.TargetPercent,
		"peak_percent": e.PeakPercent, "ceiling_percent": e.CeilingPercent, "low_percent": e.CeilingLow, "fridge_percent": e.RisePercent + e.CarryOverPercent,
		"at": e.Ready.Median, "from": e.Ready.From, "until": e.Ready.Until, "since": e.PhaseSince,
		"of": o.ProofOf, "loaf": o.Loaf.By.Median,
	}
	maps.Copy(v, c.values)
	if c.say == nil {
		c.say = []string{string(kind) + ".text", string(kind) + ".do"}
	}
	said := []string{c.first}
	for _, k := range c.say {
		if k != "" {
			said = append(said, o.t.Say(k, v))
		}
	}
	return o.t.Say(cmp.Or(c.title, string(kind)+".title"), v), join(append(said, c.last)...)
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
func near(o *observation) condition {
	if o.atTarget() || o.pastUse() {
		return condition{ends: o.pastUse()}
	}
	told, even := o.open(Near), o.e.Even
	within := func(d time.Duration) bool {
		left := even.Sub(o.At)
		return told || !even.IsZero() && left <= d && left > -nearHold
	}
	c := condition{reason: withinLead, hold: nearHold, on: within(o.Lead + nearHold), ready: within(o.Lead)}
	about, stall := "near.text", ""
	if !o.ahead() {
		c.title, about = "near.title.open", "near.text.open"
	} else {
		c.at = o.e.Ready.Median
		if s := o.ev.peek(Near); told && !s.named.IsZero() {
			switch moved := c.at.Sub(s.named); {
			case moved >= movedBy:
				c.title = "near.later.title"
			case moved <= -movedBy:
				c.title = "near.sooner.title"
			}
		}
	}
	if o.e.ReachChance < stallChance && o.e.CeilingLow < o.e.TargetPercent {
		stall = "near.stall"
	}
	c.say = []string{about, stall, o.do("near.do", "near.do."+o.content()), o.fridge("near"), o.doubt()}
	return c
}

// reached: the dough is at the target.
func reached(o *observation) condition {
	since := ""
	if at := o.e.Ready.Median; o.e.ReadyIsPast && !at.IsZero() && o.At.Sub(at) > 10*time.Minute {
		since = "reached.since"
	}
	return condition{on: o.atTarget(), ready: true, ends: o.pastUse(), reason: atMark, hold: reachedHold,
		say: []string{"reached.text", since, o.do("reached.do", "reached.do."+o.content()), o.fridge("reached"), o.doubt()}}
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
func over(o *observation) condition {
	e, beyond := o.e, math.Inf(-1)
	if !o.dough || o.forSample() {
		return condition{unknown: true, ends: o.pastUse()}
	}
	if o.atTarget() && o.OverPercent > 0 {
		beyond = e.RisePercent - o.OverPercent
	}
	past := beyond >= e.RiseSD || o.active(Over) && beyond >= 0
	c := condition{on: true, ready: true, hold: overHold, unknown: !o.sees() && !o.open(Over)}
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
		c.on = false
		return c
	}
	if s := o.ev.peek(Over); !s.since.IsZero() && e.Phase != estimator.Fallen {
		c.values = text.Values{"since": s.since}
	}
	do := "over.do." + c.reason
	c.priority, c.title, c.say = min(5, 4+c.stage), "over.title."+c.reason, []string{"over.text." + c.reason, o.do(do, do)}
	return c
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
func levelsOff(o *observation) condition {
	c := condition{ready: true, unknown: !o.sees(), ends: o.pastUse(), reason: endsBelowMark, hold: levelsOffHold}
	if o.ProofBasis == "" {
		c.tap = bake.EventShaped // what it says to do
	}
	key := ""
	switch {
	case !o.dough || o.InFridge || o.atTarget():
	case o.e.LevelsOffShort:
		c.on = true
	case o.e.ReachChance < creepsChance && o.e.EquivalentHours >= 2:
		c.on, c.reason, c.hold, key = true, mayEndBelow, creepsHold, ".may"
	}
	c.title, c.say = "levels_off.title"+key, []string{"levels_off.text" + key, o.do("levels_off.do", "levels_off.do")}
	return c
}

func starterPeak(o *observation) condition    { return o.starter(StarterPeak, estimator.Peak) }
func starterFalling(o *observation) condition { return o.starter(StarterFalling, estimator.Falling) }

// starter is the rule of one phase of a starter. It is held back from the beginning of
// the phase, which is kept over a restart. Nothing is said to have sunk to where it stands.
func (o *observation) starter(kind Kind, phase estimator.Phase) condition {
	c := condition{on: o.e.Phase == phase, ready: true, unknown: o.dough, reason: string(phase), since: o.e.PhaseSince, hold: starterHold}
	if since := o.e.PhaseSince; c.on && !since.IsZero() {
		c.ready, c.hold = o.At.Sub(since) >= c.hold, 0
	}
	told, care, weak := string(kind)+".text", "", ""
	if sank := math.Round(o.e.RisePercent) < math.Round(o.e.PeakPercent); !sank && o.t.Has(told+".level") {
		told += ".level"
	}
	if a := o.Care; a != nil {
		c.values = text.Values{"until": a.UseUntil, "hungry": a.Hungry.Median}
		switch {
		case kind == StarterPeak && a.UseUntil.After(o.At):
			care = "care.use"
		case kind == StarterFalling && a.Hungry.Median.After(o.At):
			care = "care.hungry"
		}
		if len(o.Findings) > 0 && kind == StarterPeak {
			weak = "care.weak"
		}
	}
	c.say = []string{told, string(kind) + ".do", care, weak, o.doubt()}
	return c
}

// starterHungry: seen hungry; or not seen, or in the cold, and due by the care of its
// feeds.
func starterHungry(o *observation) condition {
	c := o.starter(StarterHungry, estimator.Hungry)
	if c.unknown || c.on || o.Care == nil || o.At.Before(o.Care.NextFeed) || o.sees() && !o.InFridge {
		return c
	}
	c.on, c.since, c.reason = true, o.Care.NextFeed, byTime
	if o.InFridge {
		c.reason = InCold
	}
	c.values["fed"] = o.Care.Feed.At
	c.title, c.say = "starter_hungry.title."+c.reason, []string{"starter_hungry.text." + c.reason, "starter_hungry.do"}
	return c
}

// stepsDue: a step of the timetable should be done now, also after the rise. The end
// of a watched bulk is told by reached.
func stepsDue(o *observation) []condition {
	var found []condition
	for _, s := range o.Steps {
		if s.State != bake.DueNow || o.watched && s.ID == bake.BulkID {
			found = append(found, condition{sub: s.ID})
			continue
		}
		c := condition{sub: s.ID, on: true, ready: true, reason: s.ID, last: o.t.Tell(s.Caution...)}
		c.values = text.Values{"step": s.Name, "do": s.Do, "from": s.From, "until": s.Until}
		window, note := "", o.stepNote(s.ID, c.values)
		if s.Until.After(s.From) {
			window = "step_due.window"
		}
		c.say = []string{"step_due.text", window, note}
		if note == "bread.core.not_done" { // the clock says out, the probe knows better
			c.title, c.say = "bread.core.wait.title", []string{"bread.core.wait", note}
		}
		found = append(found, c)
	}
	return found
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
func planMoved(o *observation) condition {
	p := o.Plan
	c := condition{ready: true, hold: planMovedHold, reason: readyLater}
	if p == nil || p.Ready.IsZero() || p.Planned.IsZero() {
		return c
	}
	planned := p.Planned.Median
	by, limit := p.Ready.Median.Sub(planned), planMovedBy
	if o.active(PlanMoved) {
		limit = planMovedBack
	}
	if by < 0 {
		c.reason, c.title = readySooner, "plan_moved.title.sooner"
	}
	do := c.reason
	if p.Ready.Median.After(p.Wanted) {
		do = "too_late"
	}
	sure := o.active(PlanMoved) || p.Ready.Until.Sub(p.Ready.From) <= planMovedDoubt*by.Abs()
	c.on, c.at = by.Abs() >= limit && sure, planned.Add(by.Round(planMovedStep))
	c.say = []string{"plan_moved.text", "plan_moved.do." + do}
	c.values = text.Values{"wanted": p.Wanted, "planned": planned, "at": p.Ready.Median, "from": p.Ready.From, "until": p.Ready.Until}
	return c
}

// inTime: what is to be done while somebody is still up or at home, see bake.Advice.
func inTime(o *observation) condition {
	a := o.Advice
	if !a.Urgent(o.At) {
		return condition{}
	}
	keys, v := a.Words(o.At)
	return condition{on: true, ready: true, hold: inTimeHold, reason: string(a.Key), at: a.By, tap: a.Tap, say: keys, values: v}
}

// lookDue: nothing but a look tells how far it has risen.
func lookDue(o *observation) condition {
	return condition{on: o.Now.Key == bake.TodoSee, ready: true, reason: askedToLook, say: []string{"look.text"}}
}

// ovenHeating: see ovenDetector. It has no hold of its own. The worst case is said
// first: a door that is opened feeds a fire. That is common practice of fire
// services, no source; theirs comes first.
func ovenHeating(o *observation) condition {
	hot := o.hot
	if hot == nil {
		return condition{rearm: ovenRearm}
	}
	key := "oven_heating.text.dough"
	switch {
	case hot.reason == beyondLimit:
		key = "oven_heating.text.limit"
	case hot.inAir:
		key = "oven_heating.text.air"
	}
	return condition{on: true, ready: true, reason: hot.reason, since: hot.since, say: []string{"caution.smoke", "oven_heating.do", key},
		values: text.Values{"before_c": hot.beforeC, "temp_c": hot.nowC, "span": o.At.Sub(hot.since)}}
}

// sensorLost: the dough was not seen for too long. It makes no difference whether
// readings are missing or are there and show no dough: nobody looks after it either
// way, so both are told alike and in the same time.
func sensorLost(o *observation) condition {
	c := condition{reason: noReading, ready: true, on: !o.sees(), hold: o.ev.lost}
	seen := o.e.LastSeen
	if s := o.ev.peek(SensorLost); !c.on { // what is said at its end
		c.title, c.say = "sensor_lost.back.title", []string{"sensor_lost.back.text"}
		c.values = text.Values{"span": seen.Sub(s.alarm.Since) - o.At.Sub(orTime(s.clear, o.At))}
		return c
	}
	c.values = text.Values{"since": seen, "reason": o.cause(estimator.NoReading)}
	if seen.IsZero() {
		c.title, c.say = "sensor_lost.title.never", []string{"sensor_lost.text.never", "sensor_lost.do"}
		if !o.e.Started.IsZero() && o.silentFor(o.e.Started) >= 2*o.ev.lost {
			c.hold = 0 // lost seconds after the start: whenever that was noticed
		}
		return c
	}
	c.since, c.hold, c.ready = seen, 0, o.silentFor(seen) >= o.ev.lost
	last, ready := "", ""
	if !math.IsNaN(o.e.RisePercent) && o.e.RisePercent != 0 {
		last = "sensor_lost.last"
	}
	if !o.e.Ready.IsZero() && !o.e.ReadyIsPast {
		ready = "sensor_lost.ready"
	}
	c.say = []string{"sensor_lost.text", last, ready, "sensor_lost.do"}
	return c
}

// silentFor is how long a sensor has given nothing although it could have been
// asked: since it was seen last, or since the vessel is watched without a break.
func (o *observation) silentFor(seen time.Time) time.Duration {
	if o.System.Awake.After(seen) {
		seen = o.System.Awake
	}
	return o.At.Sub(seen)
}

// cause says in the household's language why the sensor does not see; otherwise is the
// cause to tell when the estimate knows none.
func (o *observation) cause(otherwise estimator.Cause) string {
	key := cmp.Or(o.e.QualityReason, otherwise)
	fault := map[string]estimator.Cause{"stuck": estimator.SensorStuck, "stale": "node", "unreliable": "unreliable"}[o.HeightFault]
	if fault != "" && o.e.QualityReason != "" && o.e.Quality == estimator.QualityGap {
		key = fault
	}
	return o.t.Say("cause."+string(key), nil)
}

// sensorSuspect: readings arrive but make no sense. Not while the sensor is lost:
// that is one trouble, told once. It comes where a household waits so long for a
// lost sensor that this is the earlier word.
func sensorSuspect(o *observation) condition {
	return condition{reason: notBelieved, ready: true, hold: suspectHold, on: o.e.Quality == estimator.QualitySuspect,
		unknown: o.open(SensorLost) || o.e.Quality == estimator.QualityGap && o.open(SensorSuspect),
		values:  text.Values{"since": o.seen(SensorSuspect), "reason": o.cause("unknown")}}
}

// probeLost: a thermometer gives nothing, so that heat and cold cannot be told from
// it. Not while the dough is not seen at all: that is the louder word.
func probeLost(o *observation) []condition {
	var found []condition
	for _, probe := range []string{"dough", "air"} {
		c := condition{sub: probe, reason: probe, ready: true, unknown: o.open(SensorLost)}
		for _, s := range o.Silent {
			if s.Sensor != probe {
				continue
			}
			c.on, c.hold, c.since = true, probeAfter, s.Since
			c.say, c.values = []string{"probe_lost.never." + probe, "probe_lost.do"}, text.Values{"since": s.Since}
			if !s.Since.IsZero() {
				c.hold, c.ready, c.say[0] = 0, o.silentFor(s.Since) >= probeAfter, "probe_lost.text."+probe
			}
		}
		found = append(found, c)
	}
	return found
}

// tooHot: the dough is above the limit. Not while an oven is told.
func tooHot(o *observation) condition {
	c := condition{reason: doughHot, hold: tooHotHold, on: o.e.DoughC >= tooHotC-o.slack(TooHot), unknown: o.open(OvenHeating)}
	return o.temperature(TooHot, c, tooHotC)
}

// tooCold: the dough is below the limit, not in the fridge and not warming up. It
// escalates where it hardly moves any more.
func tooCold(o *observation) condition {
	fridge := o.InFridge || o.e.AirC <= fridgeAirC
	c := condition{reason: doughCold, hold: tooColdHold, on: o.e.DoughC <= tooColdC+o.slack(TooCold) && !fridge && (!o.warming || o.open(TooCold))}
	if o.e.DoughC <= hardlyMovesC {
		c.reason, c.stage, c.say = hardlyMoves, 1, []string{"too_cold.text.hardly_moves", "too_cold.do"}
	}
	return o.temperature(TooCold, c, tooColdC)
}

// temperature completes the condition of a dough temperature beyond a limit.
func (o *observation) temperature(kind Kind, c condition, limitC float64) condition {
	c.ready, c.unknown = true, c.unknown || math.IsNaN(o.e.DoughC)
	if !o.InFridge { // against heat; or what the cold comes from, and nobody has told
		c.tap = bake.EventFridge
	}
	if c.on {
		c.values = text.Values{"temp_c": o.e.DoughC, "limit_c": limitC, "since": o.seen(kind), "usual_c": float64(kinetics.ReferenceC),
			"times_tenth": 1 / bake.Speed(o.e.DoughC), "times": 1 / bake.Speed(o.e.DoughC)}
	}
	return c
}

// nobodyWatched: after an unclean stop. It waits a little for a first reading, so
// that it can say how the dough is. Messages about other spans run out.
func nobodyWatched(o *observation) []condition {
	gap, key := o.System.Unwatched, ""
	if !gap.From.IsZero() {
		key = spanKey(gap.From)
	}
	var found []condition
	for _, s := range o.ev.slots {
		if s.kind == NobodyWatched && s.sub != key {
			found = append(found, condition{sub: s.sub})
		}
	}
	since := o.At.Sub(gap.Until)
	if gap.From.IsZero() || !o.watched || gap.Until.Sub(gap.From) < unwatchedLeast || since > unwatchedTold {
		return append(found, condition{sub: key})
	}
	c := condition{sub: key, reason: "unclean_stop", since: gap.From, on: true, ready: o.seenSince(gap.Until) || since >= unwatchedWait}
	c.first = o.t.Say("nobody_watched.text", text.Values{"vessel": o.Vessel, "from": gap.From, "until": gap.Until})
	c.values = text.Values{"span": gap.Until.Sub(gap.From)}
	now, next := "", "nobody_watched.ready"
	if !math.IsNaN(o.e.RisePercent) {
		now, c.values["quality"] = "nobody_watched.now", o.t.Say("nobody_watched.guess", nil)
		if o.seenSince(gap.Until) {
			c.values["quality"] = o.t.Say("nobody_watched.seen", nil)
		}
	}
	switch {
	case o.e.Ready.IsZero():
		next = "nobody_watched.none"
	case o.e.ReadyIsPast || o.e.Ready.Median.Before(o.At):
		next = "nobody_watched.passed"
	}
	c.say = []string{now, next, "nobody_watched.do"}
	return append(found, c)
}

// seenSince reports whether the dough was seen after a moment. Just after a start the
// estimate still rests on the last reading before the gap.
func (o *observation) seenSince(t time.Time) bool { return o.sees() && o.e.LastSeen.After(t) }

// clockNotSet: the network has not set the clock.
func clockNotSet(o *observation) condition {
	return condition{reason: string(ClockNotSet), ready: true, on: !o.System.ClockSet, hold: clockHold}
}

// diskNearlyFull: too little of the disk is free.
func diskNearlyFull(o *observation) condition {
	free, limit := o.System.DiskFreeRatio, diskFreeRatio
	if o.active(DiskNearlyFull) {
		limit *= 1.5
	}
	return condition{reason: string(DiskNearlyFull), ready: true, on: free < limit, unknown: math.IsNaN(free), hold: recoveredAfter, values: text.Values{"percent": 100 * free}}
}

// underVoltage: the machine reports a weak supply.
func underVoltage(o *observation) condition {
	return condition{reason: string(UnderVoltage), ready: true, on: o.System.UnderVoltage, hold: powerHold, rearm: time.Hour, values: text.Values{"since": o.seen(UnderVoltage)}}
}

// trend tells whether a temperature has been going up for half an hour.
type trend struct{ points []heatPoint }

// trendSpan and trendC: this much more than this long ago is warming.
const (
	trendSpan = 30 * time.Minute
	trendC    = 0.7
)

// add takes a temperature in, one a minute is kept, and reports whether it is
// warming. Until a quarter of an hour is known it says yes, to wait.
func (h *trend) add(now time.Time, c float64) bool {
	if math.IsNaN(c) {
		return false
	}
	if n := len(h.points); n == 0 || now.Sub(h.points[n-1].at) >= time.Minute {
		h.points = append(h.points, heatPoint{now, c})
	}
	for len(h.points) > 1 && now.Sub(h.points[1].at) >= trendSpan {
		h.points = h.points[1:]
	}
	known := now.Sub(h.points[0].at)
	if known < trendSpan/2 {
		return true
	}
	return c-h.points[0].c >= trendC*min(1, float64(known)/float64(trendSpan))
}
