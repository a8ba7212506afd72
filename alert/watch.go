package alert

import (
	"sort"
	"time"

	"tidemark/alert/text"
)

// Watch applies the rules to one input after the other and says what changed.
// It has no clock and does no I/O: the same inputs give the same changes. It
// may serve several vessels; alarms about the machine itself are then raised
// once and not per vessel. A Watch is not safe for use by several goroutines.
type Watch struct {
	rules  Rules
	words  *text.Localizer
	traits Traits
	slots  map[slotKey]*slot
	rises  map[string]riseKey
	heat   map[string]*heatPair
	trend  map[string]*warmth
}

// slotKey names one thing that can be raised once at a time.
type slotKey struct {
	vessel string // empty for the machine itself
	kind   Kind
	sub    string // the step of step_due, the span of nobody_watched, else empty
}

// riseKey tells one rise of a vessel from the next.
type riseKey struct {
	id      int64
	started time.Time
}

// slot is the state of one thing that can be raised.
type slot struct {
	alarm Alarm     // the last one raised; valid while open or spent
	open  bool      // raised and not yet resolved
	spent bool      // not raised again in this rise
	since time.Time // condition seen since; zero while it is not
	last  time.Time // condition last seen
	clear time.Time // condition gone since; zero while it is there
	stage int       // how bad it was when last told
	told  time.Time // the moment the text named
	said  time.Time // when the text was last worded
	drift time.Time // since when the moment has moved away from told
}

// finding is what one rule sees at one moment.
type finding struct {
	kind     Kind
	sub      string
	on       bool // the condition holds
	ripe     bool // and may be told, once held
	unknown  bool // nothing can be said: neither on nor gone
	reason   string
	hold     time.Duration
	rearm    time.Duration // zero: Rules.Rearm
	since    time.Time     // when the condition began, if the rule knows better
	stage    int           // 0, or more when it got worse
	at       time.Time     // the moment the text names, if any
	say      func() words  // title and text
	sayEnd   func(f *slot) words
	priority int // overrides the kind's
}

// words are what an alarm says.
type words struct{ title, text string }

// NewWatch returns a Watch with the rules; zero fields take their default.
func NewWatch(rules Rules) *Watch {
	rules = rules.withDefaults()
	if rules.Words == nil {
		rules.Words = text.New(rules.Household)
	}
	if rules.Traits == nil {
		rules.Traits = NewTraits()
	}
	return &Watch{
		rules:  rules,
		words:  rules.Words,
		traits: rules.Traits,
		slots:  map[slotKey]*slot{},
		rises:  map[string]riseKey{},
		heat:   map[string]*heatPair{},
		trend:  map[string]*warmth{},
	}
}

// Feel takes in temperatures as they are measured, in Celsius, NaN for none, so
// that a heating oven is noticed however seldom Step is called. Without Feel the
// temperatures of the estimate are taken at every Step.
func (w *Watch) Feel(vessel string, at time.Time, doughC, airC float64) {
	pair := w.pair(vessel)
	pair.fed = true
	w.feel(pair, at, doughC, airC)
}

// Step applies the rules to one input and returns what changed, in the order
// it is to be told. Input.Now must not run back; a step that does is ignored.
func (w *Watch) Step(in Input) []Change {
	look := w.look(in)
	changes := append(w.followRise(in), w.endSpent(look)...)
	for _, rule := range rules() {
		for _, f := range rule(look) {
			if c := w.judge(in, f); c != nil {
				changes = append(changes, c...)
			}
		}
	}
	return changes
}

// Prime shows the watch one moment of an earlier run, after Restore and before the
// first Step, in order of time: a condition that held then is held from then on.
// Nothing is raised, changed or resolved. What the rules say of the machine itself
// is passed over.
func (w *Watch) Prime(in Input) {
	look := w.look(in)
	for _, rule := range rules() {
		for _, f := range rule(look) {
			if !f.on && !w.has(in, f) {
				continue
			}
			s := w.slot(in, f)
			if ofMachine(f.kind) || f.unknown || in.Now.Before(s.last) {
				continue
			}
			switch {
			case f.on:
				s.clear, s.last = time.Time{}, in.Now
				s.since = orTime(s.since, in.Now)
			default:
				s.since = time.Time{}
				s.clear = orTime(s.clear, in.Now)
			}
		}
	}
}

// followRise ends the alarms of a rise that is over.
func (w *Watch) followRise(in Input) []Change {
	key := riseKey{in.RiseID, in.Estimate.Started}
	if key.id != 0 {
		key.started = time.Time{}
	}
	old, known := w.rises[in.Vessel]
	w.rises[in.Vessel] = key
	switch {
	case known && old != key:
		return w.endVessel(in, true)
	case !watched(in):
		return w.endVessel(in, false)
	}
	return nil
}

// endVessel resolves the open alarms of a vessel and, for a new rise, forgets
// what was told in the old one.
func (w *Watch) endVessel(in Input, forget bool) []Change {
	var changes []Change
	for _, k := range w.keys() {
		s := w.slots[k]
		if k.vessel != in.Vessel || k.kind == NobodyWatched {
			continue
		}
		if (k.kind == StepDue || k.kind == PlanMoved) && !forget {
			continue // the process goes on to the oven after the rise
		}
		if s.open {
			changes = append(changes, w.resolve(in, s, nil))
		}
		if forget {
			delete(w.slots, k)
		}
	}
	return changes
}

// keys lists the slots in a fixed order.
func (w *Watch) keys() []slotKey {
	keys := make([]slotKey, 0, len(w.slots))
	for k := range w.slots {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		a, b := keys[i], keys[j]
		if a.vessel != b.vessel {
			return a.vessel < b.vessel
		}
		if a.kind != b.kind {
			return a.kind < b.kind
		}
		return a.sub < b.sub
	})
	return keys
}

// slot returns the slot of a finding, made when it is not there.
func (w *Watch) slot(in Input, f finding) *slot {
	k := keyOf(in, f)
	if w.slots[k] == nil {
		w.slots[k] = &slot{}
	}
	return w.slots[k]
}

// peek is slot for looking at it; where there is none, an empty one that is not
// kept: most conditions never come about.
func (w *Watch) peek(in Input, f finding) *slot {
	if s := w.slots[keyOf(in, f)]; s != nil {
		return s
	}
	return &slot{}
}

// has reports whether there is a slot of a finding. Where there is none, nothing that
// is not so changes anything.
func (w *Watch) has(in Input, f finding) bool { return w.slots[keyOf(in, f)] != nil }

// keyOf is where the slot of a finding is.
func keyOf(in Input, f finding) slotKey {
	k := slotKey{in.Vessel, f.kind, f.sub}
	if ofMachine(f.kind) {
		k.vessel = ""
	}
	return k
}

// judge moves one slot by what its rule found.
func (w *Watch) judge(in Input, f finding) []Change {
	if !f.on && !w.has(in, f) {
		return nil
	}
	s := w.slot(in, f)
	switch {
	case f.unknown || in.Now.Before(s.last):
		return nil
	case !f.on:
		s.since = time.Time{}
		return w.recover(in, f, s)
	}
	s.clear, s.last = time.Time{}, in.Now
	if s.since.IsZero() {
		s.since = in.Now
	}
	switch {
	case s.open:
		return w.follow(in, f, s)
	case s.spent, !f.ripe, in.Now.Sub(s.since) < f.hold:
		return nil
	}
	return w.raise(in, f, s)
}

// recover ends a fault whose condition is gone long enough.
func (w *Watch) recover(in Input, f finding, s *slot) []Change {
	if !s.open || w.traits[f.kind].perRise {
		return nil
	}
	if s.clear.IsZero() {
		s.clear = in.Now
	}
	if in.Now.Sub(s.clear) < max(f.rearm, w.rules.Rearm) {
		return nil
	}
	return []Change{w.resolve(in, s, f.sayEnd)}
}

// raise opens an alarm and ends those it stands for.
func (w *Watch) raise(in Input, f finding, s *slot) []Change {
	since := s.since
	if !f.since.IsZero() && f.since.Before(since) {
		since = f.since
	}
	t := w.traits[f.kind]
	a := Alarm{
		Kind: f.kind, Reason: f.reason, Vessel: in.Vessel, RiseID: in.RiseID, State: Firing,
		Since: since, FiredAt: in.Now, Priority: priorityOf(t, f),
	}
	if f.kind == StepDue {
		a.Reason = f.sub
	}
	if ofMachine(f.kind) {
		a.Vessel, a.RiseID = "", 0
	}
	a.ID = alarmID(in, f, t.perRise)
	said := f.say()
	a.Title, a.Text, s.said = said.title, said.text, in.Now
	s.alarm, s.open, s.spent, s.stage, s.told = a, true, t.perRise, f.stage, f.at
	changes := w.supersede(in, f.kind, t)
	return append(changes, w.change(in, a, WasRaised))
}

// supersede ends the alarms a new one stands for.
func (w *Watch) supersede(in Input, kind Kind, t trait) []Change {
	for _, k := range t.spends {
		w.slot(in, finding{kind: k}).spent = true
	}
	var changes []Change
	for _, k := range t.supersedes {
		if s := w.peek(in, finding{kind: k}); s.open {
			changes = append(changes, w.resolve(in, s, nil))
		}
	}
	return changes
}

// follow updates an open alarm when it got worse or its moment moved.
func (w *Watch) follow(in Input, f finding, s *slot) []Change {
	what := What("")
	switch {
	case f.stage > s.stage:
		what = WasEscalated
	case w.moved(in, f, s):
		what = WasUpdated
	default:
		return w.refresh(in, f, s)
	}
	said := f.say()
	s.alarm.Title, s.alarm.Text, s.said = said.title, said.text, in.Now
	if f.kind != StepDue {
		s.alarm.Reason = f.reason
	}
	if what == WasEscalated {
		s.alarm.Priority = min(5, max(s.alarm.Priority+1, priorityOf(w.traits[f.kind], f)))
	}
	s.stage, s.told, s.drift = f.stage, f.at, time.Time{}
	return []Change{w.change(in, s.alarm, what)}
}

// refreshEvery is how often an open alarm is worded anew, so that a repeated
// message does not tell old figures.
const refreshEvery = 5 * time.Minute

// refresh words an open alarm anew now and then.
func (w *Watch) refresh(in Input, f finding, s *slot) []Change {
	every := refreshEvery
	if first := w.traits[f.kind].first; first > 0 {
		every = min(every, first)
	}
	if in.Now.Sub(s.said) < every {
		return nil
	}
	s.said = in.Now
	said := f.say()
	if s.alarm.Title == said.title && s.alarm.Text == said.text {
		return nil
	}
	s.alarm.Title, s.alarm.Text = said.title, said.text
	return []Change{w.change(in, s.alarm, WasRefreshed)}
}

// moved reports whether the moment an alarm named has moved by more than
// ShiftMin, for as long as the hold of the rule.
func (w *Watch) moved(in Input, f finding, s *slot) bool {
	if f.at.IsZero() || s.told.IsZero() || f.at.Sub(s.told).Abs() < w.rules.ShiftMin {
		s.drift = time.Time{}
		return false
	}
	if s.drift.IsZero() {
		s.drift = in.Now
	}
	return in.Now.Sub(s.drift) >= f.hold
}

// resolve ends an open alarm.
func (w *Watch) resolve(in Input, s *slot, sayEnd func(*slot) words) Change {
	if sayEnd != nil {
		said := sayEnd(s)
		s.alarm.Title, s.alarm.Text = said.title, said.text
	}
	s.alarm.State, s.alarm.ResolvedAt = Resolved, in.Now
	s.open, s.since, s.clear, s.stage = false, time.Time{}, time.Time{}, 0
	return w.change(in, s.alarm, WasResolved)
}

// change builds a Change.
func (w *Watch) change(in Input, a Alarm, what What) Change {
	return Change{Alarm: a, What: what, ClockSet: in.System.ClockSet}
}

// priorityOf returns the priority of a finding.
func priorityOf(t trait, f finding) int {
	if f.priority != 0 {
		return f.priority
	}
	return min(5, t.priority+f.stage)
}

// Restore takes in alarms of an earlier run, open and resolved, so that none
// is raised twice. Call it before the first Step.
func (w *Watch) Restore(alarms []Alarm) {
	for _, a := range alarms {
		k := slotKey{a.Vessel, a.Kind, subOf(a)}
		t := w.traits[a.Kind]
		s := w.slots[k]
		if s == nil {
			s = &slot{}
			w.slots[k] = s
		}
		if s.open && a.State == Resolved {
			continue
		}
		s.alarm, s.open, s.spent = a, a.State != Resolved, s.spent || t.perRise
		s.stage = stageOf(a)
		if a.Vessel != "" && a.RiseID != 0 {
			w.rises[a.Vessel] = riseKey{id: a.RiseID}
		}
		w.restoreSpent(a, t)
	}
}

// restoreSpent marks the kinds that an alarm of an earlier run made pointless.
func (w *Watch) restoreSpent(a Alarm, t trait) {
	for _, kind := range t.spends {
		k := slotKey{vessel: a.Vessel, kind: kind}
		if w.slots[k] == nil {
			w.slots[k] = &slot{}
		}
		w.slots[k].spent = true
	}
}

// Snapshot returns the open alarms, oldest first.
func (w *Watch) Snapshot() []Alarm {
	var open []Alarm
	for _, k := range w.keys() {
		if s := w.slots[k]; s.open {
			open = append(open, s.alarm)
		}
	}
	sort.SliceStable(open, func(i, j int) bool { return open[i].FiredAt.Before(open[j].FiredAt) })
	return open
}

// subOf returns the sub key of a stored alarm's slot.
func subOf(a Alarm) string {
	switch a.Kind {
	case StepDue:
		return a.Reason
	case NobodyWatched:
		return spanKey(a.Since)
	}
	return ""
}

// spanKey tells one unwatched span from the next.
func spanKey(from time.Time) string { return from.UTC().Format("20060102T150405") }

// ofMachine reports whether a kind is about the machine and not a vessel.
func ofMachine(k Kind) bool {
	return k == ClockNotSet || k == DiskNearlyFull || k == UnderVoltage
}
