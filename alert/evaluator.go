package alert

import (
	"slices"
	"time"

	"tidemark/alert/text"
)

// Evaluator folds what is the case with one vessel into changes of its alarms. It
// has no clock and does no I/O: the same inputs give the same changes, and an alarm
// found again has the ID it had. It is not safe for use by several goroutines.
type Evaluator struct {
	text   *text.Localizer
	lost   time.Duration // dough not seen for longer than this is told
	order  []policy
	slots  []*slot  // in the order in which their conditions were first seen
	rise   *riseKey // nil before the first input
	oven   ovenDetector
	trend  trend
	missed int // rises in which the target was told without a near warning before
}

// riseKey tells one rise from the next.
type riseKey struct {
	id      int64
	started time.Time
}

// slot is the state of one thing that can be raised, once at a time.
type slot struct {
	kind    Kind
	sub     string    // the step of step_due, the span of nobody_watched, the probe of probe_lost; else empty
	alarm   Alarm     // the last one raised; valid while open or fired
	open    bool      // raised and not yet resolved
	fired   bool      // not raised again in this rise
	since   time.Time // condition seen since; zero while it is not
	last    time.Time // condition last seen
	clear   time.Time // condition gone since; zero while it is there
	stage   int       // how bad it was when last told
	named   time.Time // the moment the text named
	worded  time.Time // when the text was last worded
	drifted time.Time // since when the moment has moved away from the one named
}

// NewEvaluator returns an Evaluator that words alarms by l and tells dough that was
// not seen for lostAfter; 0 is lostAfterDefault.
func NewEvaluator(l *text.Localizer, lostAfter time.Duration) *Evaluator {
	if lostAfter <= 0 {
		lostAfter = lostAfterDefault
	}
	return &Evaluator{text: l, lost: lostAfter, order: policies(), oven: newOvenDetector(false)}
}

// Observe takes temperatures in as they are measured, in Celsius, NaN for none, so
// that a heating oven is noticed however seldom Evaluate is called.
func (e *Evaluator) Observe(at time.Time, doughC, airC float64) {
	e.oven.observed = true
	e.oven.add(at, doughC, airC)
}

// Evaluate applies the rules to one input and returns what changed, in the order it
// is to be told. Input.At must not run back; an input that does is ignored.
func (e *Evaluator) Evaluate(in Input) []Change {
	return e.apply(e.observation(in))
}

// WarmUp shows moments of an earlier run, in order of time: a condition that held then
// is held from then on. Nothing is raised, changed or resolved, what the rules say of
// the machine itself is passed over, and what was evaluated since stays so.
func (e *Evaluator) WarmUp(past []Input) {
	oven, since := e.oven, e.trend.points
	e.oven, e.trend = newOvenDetector(false), trend{}
	for _, in := range past {
		o := e.observation(in)
		o.past = true
		e.apply(o)
	}
	e.oven = oven
	for _, p := range since {
		e.trend.add(p.at, p.c)
	}
}

// apply asks the rules about one moment. What is told of a rise ends with it.
func (e *Evaluator) apply(o *observation) []Change {
	var changes []Change
	if !o.past {
		changes = e.followRise(o)
	}
	for _, p := range e.order {
		switch {
		case o.past && (ofMachine(p.kind) || p.ofRise && !o.watched):
		case p.ofRise && !o.watched:
			changes = append(changes, e.resolveAll(o, p.kind)...)
		default:
			for _, c := range p.rule(o) {
				changes = append(changes, e.move(o, p, c)...)
			}
		}
	}
	return changes
}

// Restore takes in alarms of an earlier run, open and resolved, so that none is
// raised twice. Call it before the first Evaluate.
func (e *Evaluator) Restore(alarms []Alarm) {
	for _, a := range alarms {
		p := policyOf(a.Kind)
		s := e.slot(a.Kind, subOf(a))
		if s.open && a.State == Resolved {
			continue
		}
		s.alarm, s.open, s.fired, s.stage = a, a.State != Resolved, s.fired || p.perRise, stageOf(a)
		if a.Vessel != "" && a.RiseID != 0 {
			e.rise = &riseKey{id: a.RiseID}
		}
		e.retire(p)
	}
}

// NearMissed returns how often, since the program's start, a target was reached without
// a near warning before.
func (e *Evaluator) NearMissed() int { return e.missed }

// ClockStep moves what is remembered in time, for a clock that was wrong and has
// been set now: hold times and alarms stay as they are. The short memory of
// temperatures is begun anew, and open alarms are worded anew at the next Evaluate,
// because their texts name times.
func (e *Evaluator) ClockStep(m ClockStep) {
	if e.rise != nil {
		m.Times(&e.rise.started)
	}
	for _, s := range e.slots {
		m.along(s.last, &s.named) // what an alarm told of is ahead of the moment it was seen last
		m.Times(&s.since, &s.last, &s.clear, &s.drifted)
		s.alarm, s.worded = m.Alarm(s.alarm), time.Time{}
	}
	e.oven, e.trend = newOvenDetector(e.oven.observed), trend{}
}

// followRise ends the alarms of the rise before when another begins, and forgets what was
// told in it.
func (e *Evaluator) followRise(o *observation) []Change {
	key := riseKey{id: o.RiseID}
	if key.id == 0 {
		key.started = o.Estimate.Started
	}
	old := e.rise
	e.rise = &key
	if old == nil || *old == key {
		return nil
	}
	var changes []Change
	e.slots = slices.DeleteFunc(e.slots, func(s *slot) bool {
		goes := s.kind != NobodyWatched && !ofMachine(s.kind)
		if goes {
			changes = append(changes, e.resolve(o, s)...)
		}
		return goes
	})
	return changes
}

// find returns the slot of a kind and sub key; nil when there is none.
func (e *Evaluator) find(kind Kind, sub string) *slot {
	for _, s := range e.slots {
		if s.kind == kind && s.sub == sub {
			return s
		}
	}
	return nil
}

// slot returns the slot of a kind and sub key, made when it is not there.
func (e *Evaluator) slot(kind Kind, sub string) *slot {
	if s := e.find(kind, sub); s != nil {
		return s
	}
	e.slots = append(e.slots, &slot{kind: kind, sub: sub})
	return e.slots[len(e.slots)-1]
}

// peek returns the slot of a kind to look at; an empty one where there is none.
func (e *Evaluator) peek(kind Kind) slot {
	if s := e.find(kind, ""); s != nil {
		return *s
	}
	return slot{}
}

// move moves one slot by what its rule says. What never was on has none.
func (e *Evaluator) move(o *observation, p policy, c condition) []Change {
	s := e.find(p.kind, c.sub)
	switch {
	case c.ends && s != nil && !o.past:
		return e.resolve(o, s)
	case c.ends || c.unknown || s == nil && !c.on || s != nil && o.At.Before(s.last):
		return nil
	}
	s = e.slot(p.kind, c.sub)
	if c.on {
		s.clear, s.last, s.since = time.Time{}, o.At, orTime(s.since, o.At)
	} else {
		s.since, s.clear = time.Time{}, orTime(s.clear, o.At)
	}
	switch {
	case o.past:
	case !c.on && s.open && !p.perRise && o.At.Sub(s.clear) >= max(c.rearm, recoveredAfter):
		if p.tellsEnd {
			e.word(o, p, c, s)
		}
		return e.resolve(o, s)
	case !c.on:
	case s.open:
		return e.follow(o, p, c, s)
	case !s.fired && c.ready && o.At.Sub(s.since) >= c.hold:
		return e.raise(o, p, c, s)
	}
	return nil
}

// raise opens an alarm and ends those it stands for.
func (e *Evaluator) raise(o *observation, p policy, c condition, s *slot) []Change {
	since := s.since
	if !c.since.IsZero() && c.since.Before(since) {
		since = c.since
	}
	if p.kind == Reached && !e.peek(Near).fired {
		e.missed++
	}
	a := Alarm{Kind: p.kind, Reason: c.reason, Vessel: o.Vessel, RiseID: o.RiseID, State: Firing,
		Since: since, FiredAt: o.At, Priority: priorityOf(p, c)}
	if ofMachine(p.kind) {
		a.Vessel, a.RiseID = "", 0
	}
	seen := s.since // of this episode: what the rule knows may be of an earlier one
	if p.kind == NobodyWatched {
		seen = since
	}
	a.ID = alarmID(a, c.sub, p.perRise, o.Estimate.Started, seen)
	s.alarm, s.open, s.fired, s.stage, s.named = a, true, p.perRise, c.stage, c.at
	e.word(o, p, c, s)
	e.retire(p)
	return append(e.resolveAll(o, p.supersedes...), change(o, s.alarm, WasRaised))
}

// word puts today's words into an open alarm and reports whether they are others.
func (e *Evaluator) word(o *observation, p policy, c condition, s *slot) bool {
	title, told := o.words(p.kind, c)
	other := s.alarm.Title != title || s.alarm.Text != told
	s.alarm.Title, s.alarm.Text, s.alarm.Tap, s.worded = title, told, c.tap, o.At
	return other
}

// retire marks the kinds that do not come any more in a rise after one of policy p. The
// target may still be reached after dough had no rise left.
func (e *Evaluator) retire(p policy) {
	for _, k := range p.supersedes {
		if policyOf(k).perRise && k != Reached {
			e.slot(k, "").fired = true
		}
	}
}

// resolveAll ends the open alarms of some kinds.
func (e *Evaluator) resolveAll(o *observation, kinds ...Kind) []Change {
	var changes []Change
	for _, s := range e.slots {
		if slices.Contains(kinds, s.kind) {
			changes = append(changes, e.resolve(o, s)...)
		}
	}
	return changes
}

// follow updates an open alarm when it got worse or its moment moved, and words it
// anew now and then, so that a repeated message does not tell old figures.
func (e *Evaluator) follow(o *observation, p policy, c condition, s *slot) []Change {
	what := WasUpdated
	switch {
	case c.stage > s.stage:
		what = WasEscalated
		s.alarm.Priority = min(5, max(s.alarm.Priority+1, priorityOf(p, c)))
	case moved(o, c, s):
	case o.At.Sub(s.worded) < p.wordEvery() || !e.word(o, p, c, s):
		return nil
	default:
		return []Change{change(o, s.alarm, WasRefreshed)}
	}
	e.word(o, p, c, s)
	s.alarm.Reason = c.reason
	s.stage, s.named, s.drifted = c.stage, c.at, time.Time{}
	return []Change{change(o, s.alarm, what)}
}

// moved reports whether the moment an alarm named has moved by movedBy or more, for
// as long as the hold of the rule.
func moved(o *observation, c condition, s *slot) bool {
	if c.at.IsZero() || s.named.IsZero() || c.at.Sub(s.named).Abs() < movedBy {
		s.drifted = time.Time{}
		return false
	}
	s.drifted = orTime(s.drifted, o.At)
	return o.At.Sub(s.drifted) >= c.hold
}

// resolve ends an alarm if it is open.
func (e *Evaluator) resolve(o *observation, s *slot) []Change {
	if !s.open {
		return nil
	}
	s.alarm.State, s.alarm.ResolvedAt = Resolved, o.At
	s.open, s.since, s.clear, s.stage = false, time.Time{}, time.Time{}, 0
	return []Change{change(o, s.alarm, WasResolved)}
}

// change returns what happened to an alarm.
func change(o *observation, a Alarm, what What) Change {
	return Change{Alarm: a, What: what, ClockSet: o.System.ClockSet}
}

// priorityOf returns the priority of a condition.
func priorityOf(p policy, c condition) int {
	if c.priority != 0 {
		return c.priority
	}
	return min(5, p.priority+c.stage)
}

// subOf returns the sub key of a stored alarm's slot.
func subOf(a Alarm) string {
	switch a.Kind {
	case StepDue, ProbeLost:
		return a.Reason
	case NobodyWatched:
		return spanKey(a.Since)
	}
	return ""
}

// spanKey tells one unwatched span from the next.
func spanKey(from time.Time) string { return from.UTC().Format("20060102T150405") }

// orTime returns t, or def when t is zero.
func orTime(t, def time.Time) time.Time {
	if t.IsZero() {
		return def
	}
	return t
}
