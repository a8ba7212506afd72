package bake

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
)

// Vessel is what a Session knows of its vessel beforehand.
type Vessel struct {
	Name       string
	Estimator  estimator.Config // shape, mark, lead; its AutoStart lets the first valid height begin a rise
	Batch      *Batch           // what is usually baked from it; nil for nothing known
	Feed       *Feed            // the usual feeding of a starter; nil when not known
	ProofOf    string           // the vessel whose shaped dough proofs here, or whose sample this is
	ProofBasis ProofBasis       // how
	AltitudeM  float64          // of the kitchen
	Demo       bool             // everything seen is invented
	Hours      Hours            // when the household sleeps
}

// Learned is what the household's past rises teach of the next one.
type Learned struct {
	Prior    *forecast.Prior   // nil for the published one
	Sensor   *estimator.Sensor // what is known of the distance sensor; nil for nothing
	Feeds    []PastFeed        // of a starter, oldest first
	Findings []Finding         // what those say of it
}

// Chosen is a plan that a vessel follows, as it was chosen.
type Chosen struct {
	Way     string           `json:"way"`
	Wanted  time.Time        `json:"wanted"`
	Planned estimator.Window `json:"planned"` // ready, as the plan had it
	Fridge  Fridge           `json:"fridge"`
	Total   float64          `json:"total_percent"` // the rise a night in the cold is to end at
	Process Process          `json:"process"`       // its steps, none marked
}

// Run is the journal of one bake or feeding: from the plan or the start that began
// it to the plan or start that begins the next. Events and samples are in order of
// time.
type Run struct {
	Events  []Event
	Samples []Recorded
}

// Recorded is a sample as it is kept, with what was made of it when it came. What is
// missing is NaN.
type Recorded struct {
	Time                time.Time
	DistanceMM, SDMM    float64
	DoughC, AirC        float64
	RisePercent, RiseSD float64
	EquivHours          float64 // growth time at 24 C
	Rejected            string  // why its distance was not believed; empty when it was
	Event               estimator.Event
	Value               float64 // of the event
}

// sample returns what was measured.
func (r Recorded) sample() estimator.Sample {
	return estimator.Sample{Time: r.Time, DistanceMM: r.DistanceMM, SDMM: r.SDMM, DoughC: r.DoughC, AirC: r.AirC, Event: r.Event, Value: r.Value}
}

// Session is one vessel's watch: it folds the journal of what was measured and of
// what people did into a State. The same journal gives the same State, so an event
// is taken back, moved or added late by folding again. A Session has no clock, does
// no I/O, and keeps the run under way with the one before it in memory. It must not
// be used by two goroutines at once.
type Session struct {
	vessel  Vessel
	learned Learned
	former  *Run // the run before; nil when it is not known
	run     Run
	version int  // grows with every change of the journal that is not an addition at its end
	stale   bool // the fold no longer follows from the journal
	adrift  bool // the times of the journal moved: until it is folded again nothing can be told

	est     *estimator.Estimator
	process *Process // nil when nobody chose one
	plan    *Chosen  // nil when none is followed
	said    Said     // what the live rise changed of the plan last
	saidAt  time.Time
	asked   time.Time // when the live rise was last asked about the plan
	rise    Rise
	begun   bool // a rise of this run began
	cold    bool
	feed    *Feed
	named   string
	stay    stay
	bulkC   float64 // the dough when it was last seen in its bulk; 0 before
	mark    bool    // the mark was chosen by a person
	auto    bool    // the first valid height may begin a rise
	kept    Track   // what was measured after the bulk, for the process that a fold begins

	last    estimator.Estimate
	steps   []Step
	after   *After
	care    *Care
	lastRow time.Time

	away     []Span    // when nobody is there, as was told in other vessels
	handC    *float64  // how warm a person found the dough; nil when nobody measured
	handAt   time.Time // when that was taken in last
	probedAt time.Time // when a probe saw the dough last
}

// keepEvery is the shortest time between two samples that are kept.
const keepEvery = 10 * time.Second

// NewSession returns a Session of a vessel in which nothing rises.
func NewSession(v Vessel, l Learned) (*Session, error) {
	s := &Session{vessel: v, learned: l, auto: v.Estimator.AutoStart}
	return s, s.reset()
}

// reset makes the fold empty; the journal stays.
func (s *Session) reset() error {
	c := s.vessel.Estimator
	c.AutoStart = s.auto && !s.startTold()
	est, err := estimator.New(c)
	if err != nil {
		return err
	}
	if s.learned.Prior != nil {
		est.SetPrior(*s.learned.Prior)
	}
	if s.learned.Sensor != nil {
		est.KnowSensor(*s.learned.Sensor)
	}
	if s.process != nil {
		s.kept = s.process.Track // it was measured, and no journal has it
	}
	*s = Session{vessel: s.vessel, learned: s.learned, former: s.former, run: s.run, version: s.version, stale: s.stale,
		auto: s.auto, kept: s.kept, est: est, last: est.Estimate(time.Time{})}
	return nil
}

// startTold reports whether the run has a start that stands.
func (s *Session) startTold() bool {
	return slices.ContainsFunc(s.run.Events, func(e Event) bool { return e.Kind.Starts() && !e.Undone() })
}

// Observe takes in one sample. Its time must not lie before the latest one's. The
// verdict says what was made of it; kept whether it became part of the journal.
func (s *Session) Observe(x estimator.Sample) (r Recorded, kept bool) {
	v := estimator.Verdict{}
	if !s.adrift {
		v = s.est.Observe(x)
		s.sense(x)
	}
	r = Recorded{Time: x.Time, DistanceMM: x.DistanceMM, SDMM: x.SDMM, DoughC: x.DoughC, AirC: x.AirC, Event: x.Event, Value: x.Value,
		RisePercent: s.last.RisePercent, RiseSD: s.last.RiseSD, EquivHours: s.last.EquivalentHours, Rejected: v.Reason}
	if !s.underWay() || x.Time.Sub(s.lastRow) < keepEvery {
		return r, false
	}
	s.lastRow = x.Time
	s.run.Samples = append(s.run.Samples, r)
	return r, true
}

// underWay reports whether a rise is being watched.
func (s *Session) underWay() bool { return s.begun && s.last.Phase != estimator.Ended }

// Begins reports whether an event would begin a new run.
func (s *Session) Begins(e Event) bool {
	return e.Kind == EventPlan || e.Kind.Starts() && !s.pending()
}

// pending reports whether a plan is followed whose dough is not in the vessel yet.
func (s *Session) pending() bool { return s.plan != nil && !s.begun }

// Translate returns the event that is meant: the last step before the tub, done in
// a plan whose dough is not there yet, is the start of its rise.
func (s *Session) Translate(e Event) Event {
	if s.pending() && e.Kind == EventDone && stageOf(e.StepID).told == EventStart {
		e.Kind = EventStart
	}
	return e
}

// Check returns a Refusal when an event makes no sense now.
func (s *Session) Check(e Event) error {
	here := Values{"vessel": s.vessel.Name}
	if ask := s.ask(e); ask != nil {
		if ask.Kind.Starts() {
			return Refusal{Said: Said{"refused.no_rise", here}, Ask: ask}
		}
		return Refusal{Said: Said{"refused.step_before", Values{"step": s.process.name(ask.StepID)}}, Ask: ask}
	}
	switch {
	case e.Kind == EventPlan && (e.Plan == nil || len(e.Plan.Process.Defs) == 0):
		return refuse("no_plan", nil)
	case e.Kind == EventPlan && s.underWay():
		return refuse("rising", here)
	case e.Kind == EventTarget && !(e.TargetPercent >= 5 && e.TargetPercent <= 400):
		return refuse("target", Values{"percent": e.TargetPercent})
	case e.Kind == EventLook && !(e.SeenPercent > leastSeen && e.SeenPercent <= mostSeen):
		return refuse("seen", Values{"percent": e.SeenPercent})
	case e.Kind == EventWarmth && (e.DoughC == nil || !(*e.DoughC >= coldestC && *e.DoughC <= warmestC)):
		return refuse("warmth", Values{"low_c": float64(coldestC), "high_c": float64(warmestC)})
	case e.Kind == EventAway && (e.Away == nil || !e.Away.Until.After(e.Away.From) || !e.Away.Until.After(e.At)):
		return refuse("away", nil)
	case e.Kind.Marks():
		return s.checkStep(e)
	case e.feed() != nil && e.feed().Validate() != nil:
		return refuse("feed", Values{"reason": e.feed().Validate().Error()})
	case e.Kind.Starts(), e.Kind == EventPlan, e.Kind == EventNote, e.Kind == EventJudged, s.underWay(), e.Kind == EventAway && s.process != nil:
		return nil
	case s.process != nil && (e.Kind == EventShaped || e.Kind == EventBaked):
		return s.tryMark(e) // the bake goes on after its rise
	case s.process != nil && (e.Kind == EventFridge || e.Kind == EventCounter):
		return nil // the shaped loaf
	}
	return refuse("no_rise", here)
}

// What a person can have seen, percent of the start volume.
const (
	leastSeen = -90.0
	mostSeen  = 1000.0
)

// How warm a person can have found dough, Celsius.
const coldestC, warmestC = -5, 60

// handEvery is how often a temperature that a person told is taken in anew, until the next
// is told, the dough moves or a probe tells one, and probeQuiet how long a probe counts.
const (
	handEvery  = 5 * time.Minute
	probeQuiet = 20 * time.Minute
)

// observeByHand lets the temperature that a person told go on to count.
func (s *Session) observeByHand(now time.Time) {
	if s.handC == nil || now.Sub(s.handAt) < handEvery || now.Sub(s.probedAt) < probeQuiet {
		return
	}
	s.handAt = now
	nan := math.NaN()
	s.est.Observe(estimator.Sample{Time: now, DistanceMM: nan, DoughC: *s.handC, AirC: nan})
}

// sense takes in how warm it is by the sensors.
func (s *Session) sense(x estimator.Sample) {
	s.stay.follow(x.Time, estimator.NoEvent, x.DoughC, x.AirC)
	if !math.IsNaN(x.DoughC) {
		s.probedAt = x.Time
	}
}

// checkStep refuses what cannot be said of a step.
func (s *Session) checkStep(e Event) error {
	if s.process == nil {
		return refuse("no_steps", Values{"vessel": s.vessel.Name})
	}
	if err := s.tryMark(e); err != nil {
		return err
	}
	if e.Kind == EventDone && e.Answer == "" {
		for _, x := range s.steps {
			if x.ID == e.StepID && x.Question.Key != "" {
				return refuse("answer", nil)
			}
		}
	}
	return nil
}

// tryMark refuses an event whose step cannot be marked now.
func (s *Session) tryMark(e Event) error {
	p := s.process.copied()
	return p.markFor(e)
}

// Apply takes in one event. An event dated before what was seen since is put in its
// place; the session is then stale until it is folded again.
func (s *Session) Apply(e Event) {
	if s.Begins(e) {
		former := s.run
		s.former, s.run, s.kept = &former, Run{}, Track{}
		s.version++
	}
	late := s.isLate(e)
	i := len(s.run.Events)
	for i > 0 && s.run.Events[i-1].At.After(e.At) {
		i--
	}
	if i < len(s.run.Events) {
		s.version++
	}
	s.run.Events = slices.Insert(s.run.Events, i, e)
	if late {
		s.spoil()
		return
	}
	s.take(e)
}

// lateAfter is how far an event may lie back and still count from now: what a
// person tells a minute after it happened needs no new fold.
const lateAfter = 90 * time.Second

// isLate reports whether an event changes what was made of samples that came after
// it.
func (s *Session) isLate(e Event) bool {
	first := s.Begins(e) && len(s.run.Samples) == 0 && s.former == nil
	return !first && e.reachesEstimator() && s.last.Time.Sub(e.At) > lateAfter && !s.last.Time.IsZero()
}

// reachesEstimator reports whether the rise depends on when it happened.
func (e Event) reachesEstimator() bool {
	return e.Kind == EventTarget || e.Kind == EventWarmth || e.ToDough() != estimator.NoEvent
}

// spoil marks the fold as no longer true to the journal.
func (s *Session) spoil() { s.version, s.stale = s.version+1, true }

// Stale reports whether the State does not follow from the journal any more and
// Again must be called.
func (s *Session) Stale() bool { return s.stale }

// Undo marks an event as undone. A start or plan that began the run gives the run
// before back, with what happened since.
func (s *Session) Undo(id int64, now time.Time) (Event, error) {
	i := slices.IndexFunc(s.run.Events, func(e Event) bool { return e.ID == id })
	if i < 0 || s.run.Events[i].Undone() {
		return Event{}, refuse("undone", nil)
	}
	s.run.Events[i].UndoneAt = now
	e := s.run.Events[i]
	switch {
	case i == 0 && (e.Kind == EventPlan || e.Kind.Starts()):
		s.giveBack()
		s.spoil()
	case e.Kind.Marks() && !e.Ends():
		s.version++
		s.remark()
	case e.Kind == EventNote, e.Kind == EventJudged, e.Kind == EventMeasured:
	default:
		s.spoil()
	}
	if e.Kind.Starts() {
		s.auto = false // the household says when: it has just taken a start back
	}
	return e, nil
}

// giveBack goes on with the run before the one that was begun by mistake. What
// belonged to the rise of the mistake belongs to the one before, or to none.
func (s *Session) giveBack() {
	rest, before := s.run, int64(0)
	if s.former != nil {
		s.run, s.former = *s.former, nil
		before = s.run.riseID()
		s.run.Events = append(s.run.Events, rest.Events...)
		s.run.Samples = append(s.run.Samples, rest.Samples...)
	}
	for i := range s.run.Events {
		if e := &s.run.Events[i]; e.RiseID == rest.Events[0].RiseID {
			e.RiseID = before
		}
	}
}

// Forget drops the run before when its rise was removed: nothing goes back to it.
func (s *Session) Forget(riseID int64) {
	if s.former != nil && s.former.riseID() == riseID {
		s.former = nil
	}
}

// riseID is the number of the run's rise; 0 when none began.
func (r Run) riseID() int64 {
	for _, e := range r.Events {
		if e.Kind.Starts() && !e.Undone() {
			return e.RiseID
		}
	}
	return 0
}

// Correct moves an event to another time.
func (s *Session) Correct(id int64, at time.Time) (Event, error) {
	i := slices.IndexFunc(s.run.Events, func(e Event) bool { return e.ID == id && !e.Undone() })
	if i < 0 {
		return Event{}, refuse("former", nil)
	}
	s.run.Events[i].At = at
	e := s.run.Events[i]
	slices.SortStableFunc(s.run.Events, func(x, y Event) int { return x.At.Compare(y.At) })
	s.spoil()
	return e, nil
}

// StepClock moves what was stamped from a moment on, for a clock that was set;
// the zero moment moves everything. before bounds it likewise.
func (s *Session) StepClock(from, before time.Time, by time.Duration) {
	move := func(t *time.Time) {
		if !t.IsZero() && !t.Before(from) && t.Before(before) {
			*t = t.Add(by)
		}
	}
	for i := range s.run.Events {
		move(&s.run.Events[i].At)
	}
	for i := range s.run.Samples {
		move(&s.run.Samples[i].Time)
	}
	if s.process != nil {
		s.process.Track = s.process.Track.moved(move)
	}
	s.spoil()
	s.adrift = true
}

// Adrift reports whether the clock was set and the journal not folded since: State
// then says how things stood before.
func (s *Session) Adrift() bool { return s.adrift }

// Describe takes over what is newly known of the vessel. A shape that changed counts
// for the rise under way too.
func (s *Session) Describe(v Vessel) {
	was := s.vessel
	s.vessel = v
	if v.Estimator.Profile != was.Estimator.Profile || v.Estimator.FloorMM != was.Estimator.FloorMM {
		s.spoil()
	}
}

// Learn takes over what past rises teach; it counts from the next fold on.
func (s *Session) Learn(l Learned) {
	s.learned = l
	if l.Prior != nil {
		s.est.SetPrior(*l.Prior)
	}
}

// SetLead changes how long before the mark the vessel is near it.
func (s *Session) SetLead(lead time.Duration) {
	s.vessel.Estimator.Lead = lead
	s.est.SetLead(lead)
}

// Wait lets no rise begin by itself from now on: the household says when.
func (s *Session) Wait() error {
	if !s.auto || s.begun {
		s.auto = false
		return nil
	}
	s.auto = false
	return s.reset()
}

// take folds one event in at the end.
func (s *Session) take(e Event) {
	if e.Undone() {
		return
	}
	at := later(e.At, s.last.Time)
	switch {
	case e.Kind == EventPlan:
		s.follow(e)
	case e.Kind.Starts():
		s.start(e, at)
	case e.Kind == EventTarget:
		s.mark = true
		s.est.SetTarget(e.TargetPercent)
		if s.planMark() != 0 {
			s.bulkEndsAt(e.TargetPercent)
		}
	case e.Kind == EventWarmth:
		s.handC, s.handAt = e.DoughC, time.Time{}
		s.observeByHand(at)
	case e.Kind == eventReplan:
		if s.saidAt = e.At; e.Said != nil {
			s.said = *e.Said
		}
		s.est.SetTarget(e.TargetPercent)
		s.last.TargetPercent = e.TargetPercent
		s.bulkEndsAt(e.TargetPercent)
	case e.ToDough() != estimator.NoEvent:
		s.tell(e.ToDough(), at, e.SeenPercent)
	}
	if s.process != nil {
		_ = s.process.markFor(e) // closed already: nothing to mark
	}
}

// feed is the feeding that an event tells, in grams or as a batch's name ("1:2:2");
// nil when it tells none.
func (e Event) feed() *Feed {
	if e.Feed != nil {
		return e.Feed
	}
	if f, ok := parseFeed(e.Batch); ok {
		return &f
	}
	return nil
}

// ToDough returns what an event is to the dough, for the estimator.
func (e Event) ToDough() estimator.Event {
	switch k := e.Kind; {
	case k.Starts():
		return estimator.Start
	case e.Ends():
		return estimator.End
	case k == EventFold:
		return estimator.Fold
	case k == EventFridge:
		return estimator.Fridge
	case k == EventCounter:
		return estimator.Counter
	case k == EventLook:
		return estimator.Look
	}
	return estimator.NoEvent
}

// tell hands an event to the estimator, with the rise that was seen when it is a look.
func (s *Session) tell(e estimator.Event, at time.Time, seenPercent float64) {
	nan := math.NaN()
	s.est.Observe(estimator.Sample{Time: at, DistanceMM: nan, DoughC: nan, AirC: nan, Event: e, Value: seenPercent})
	s.stay.follow(at, e, nan, nan)
	switch e {
	case estimator.Fridge, estimator.Counter, estimator.Start:
		s.handC = nil // it was measured elsewhere
	}
	switch e {
	case estimator.Fridge:
		s.cold = true
	case estimator.Counter, estimator.Start:
		s.cold = false
	}
}

// follow begins to follow a plan.
func (s *Session) follow(e Event) {
	pr := e.Plan.Process.copied()
	pr.Track = s.kept
	s.plan, s.process = e.Plan, &pr
	s.said, s.saidAt, s.begun, s.rise = Said{}, time.Time{}, false, Rise{}
	s.auto = false
}

// start begins a rise.
func (s *Session) start(e Event, at time.Time) {
	s.named, s.feed = e.Batch, e.feed()
	if s.feed == nil {
		s.feed = s.vessel.Feed
	}
	s.beginProcess(at, e.By == ByItself)
	s.mark, s.begun, s.auto = false, true, false
	mark := s.vessel.Estimator.TargetPercent
	switch own := s.planMark(); {
	case own > 0:
		mark = own
	case len(s.vessel.Estimator.TargetTable) > 0:
		mark = 0 // the table decides
	}
	s.est.SetFanTo(s.beyond())
	s.est.SetTarget(mark)
	s.tell(estimator.Start, at, 0)
	s.rise = s.newRise(at, e.By == ByItself)
	s.rise.ID = e.RiseID
	s.lastRow = time.Time{}
}

// beginProcess gives a rise its steps: those of the plan or of the vessel's batch. A
// vessel without a batch and a rise that began by itself have none: nobody said what
// is being baked.
func (s *Session) beginProcess(at time.Time, byItself bool) {
	switch {
	case s.pending() && s.process != nil:
		_ = s.process.Done(saltID, at, ByItself) // may be done already
		return
	case byItself || s.vessel.Batch == nil || s.vessel.Estimator.Holds == estimator.Starter || !s.usualBatch():
		s.process = nil
		return
	}
	pr := NewProcess(*s.vessel.Batch, at.Add(-beforeTub), finite(s.last.AirC))
	pr.Track = s.kept
	_ = pr.Done(saltID, at, ByItself) // closes mixing and rest as well
	s.process = &pr
}

// beforeTub is how long the steps up to the filled tub take in the default step
// list; the rise starts when they are done.
const beforeTub = 45 * time.Minute

// markFor marks the step that an event completes. An error says why it cannot be.
func (p *Process) markFor(e Event) error {
	switch id := p.stepOf(e); {
	case id == "" || e.Kind.Starts(): // a start is marked where the steps begin
		return nil
	case e.Kind == EventBegun:
		return p.begin(id, e.At, e.By)
	case e.Kind == EventSkipped:
		return p.skip(id, e.At, e.By, e.why())
	default:
		return p.Done(id, e.At, e.By)
	}
}

// why is the reason of a step left out.
func (e Event) why() Said {
	if e.Why == "" {
		return Said{Key: "why.left_out"}
	}
	return Said{"why.told", Values{"text": e.Why}}
}

// remark marks the steps anew from the events of the run.
func (s *Session) remark() {
	if s.process == nil {
		return
	}
	s.process.Marks = nil
	for _, e := range s.run.Events {
		if e.Undone() {
			continue
		}
		if e.Kind.Starts() {
			_ = s.process.Done(saltID, e.At, ByItself)
		}
		_ = s.process.markFor(e)
	}
}

// copied returns a process that shares nothing with the first.
func (p Process) copied() Process {
	p.Defs, p.Marks = slices.Clone(p.Defs), maps.Clone(p.Marks)
	return p
}

// planMark is the rise at which the bulk of the plan ends; 0 when it has none of its
// own.
func (s *Session) planMark() float64 {
	if s.plan == nil || s.process == nil {
		return 0
	}
	d, _ := s.process.def(BulkID)
	return d.RisePercent
}

// beyond is the rise up to which a plan must see ahead: what a night in the cold is
// to end at; 0 without one.
func (s *Session) beyond() float64 {
	if s.plan == nil || s.process == nil || s.process.index(RetardID) < 0 {
		return 0
	}
	return s.plan.Total
}

// bulkEndsAt lets the bulk of a plan end at another rise. One that is over stays as it
// was.
func (s *Session) bulkEndsAt(percent float64) {
	if s.process == nil || s.process.closed(BulkID) {
		return
	}
	s.process.bulkEndsAt(percent)
}

// usualBatch reports whether the rise is of the vessel's own batch.
func (s *Session) usualBatch() bool {
	return s.named == "" || s.vessel.Batch != nil && s.named == s.vessel.Batch.Name
}

// belongsTo is the batch or feeding of the rise as JSON; nil when none is known.
func (s *Session) belongsTo() []byte {
	fields := map[string]any{}
	var what any
	switch {
	case s.vessel.Estimator.Holds == estimator.Starter:
		if s.feed != nil {
			what = s.feed
		}
	case s.plan != nil && s.process != nil:
		what = s.process.Batch // a plan may take less levain
	case s.vessel.Batch != nil && s.usualBatch():
		what = s.vessel.Batch
	}
	if what != nil {
		if body, err := json.Marshal(what); err != nil || json.Unmarshal(body, &fields) != nil {
			return nil
		}
	}
	if s.named != "" && s.named != NoBatch {
		fields["name"] = s.named
	}
	if len(fields) == 0 {
		return nil
	}
	body, err := json.Marshal(fields)
	if err != nil {
		return nil // a checked batch always marshals
	}
	return body
}

// Journal returns the run under way. It must not be changed.
func (s *Session) Journal() Run { return s.run }

// Own returns the events that the session noted by itself and nobody stored yet: a
// rise that began with the first valid height, a bulk whose end was moved. Stored must
// follow.
func (s *Session) Own() []Event {
	var out []Event
	for _, e := range s.run.Events {
		if e.isOwn() {
			out = append(out, e)
		}
	}
	return out
}

// isOwn reports whether the session noted an event and nobody stored it yet.
func (e Event) isOwn() bool { return e.ID == 0 && e.By == ByItself }

// Stored takes over the numbers that the store gave to the events of Own.
func (s *Session) Stored(stored []Event) {
	for i := range s.run.Events {
		if !s.run.Events[i].isOwn() || len(stored) == 0 {
			continue
		}
		s.run.Events[i].ID, s.run.Events[i].RiseID = stored[0].ID, stored[0].RiseID
		if s.run.Events[i].Kind.Starts() {
			s.rise.ID = stored[0].RiseID
		}
		stored = stored[1:]
	}
}

// Again folds the journal once more into a fresh Session, as at now; s stays as it
// is and may be used meanwhile. Follow then brings the fresh one up to date. each is
// told of the states on the way; nil is told nothing.
func (s *Session) Again() (fold func(now time.Time, each func(State)) (*Session, error), follow func(fresh *Session) bool) {
	fresh := *s
	fresh.run = Run{slices.Clone(s.run.Events), s.run.Samples[:len(s.run.Samples):len(s.run.Samples)]}
	if s.process != nil {
		pr := s.process.copied()
		fresh.process = &pr
	}
	version, events, samples := s.version, len(s.run.Events), len(s.run.Samples)
	fold = func(now time.Time, each func(State)) (*Session, error) {
		return &fresh, fresh.foldAll(now, each)
	}
	follow = func(f *Session) bool {
		if s.version != version {
			return false // changed meanwhile: fold once more
		}
		f.run.Events = append(f.run.Events, s.run.Events[events:]...)
		f.play(s.run.Events[events:], s.run.Samples[samples:], time.Time{}, nil)
		f.learned = s.learned
		return true
	}
	return fold, follow
}

// Resume returns a session that goes on with two runs of an earlier one: the run
// before, which may be nil, and the one under way, with what was measured after the
// bulk (nil for nothing). It is stale: what its samples say is known once it was
// folded Again. Until then it takes samples and events in and sees temperatures.
func Resume(v Vessel, l Learned, former *Run, run Run, track *Track) (*Session, error) {
	s := &Session{vessel: v, learned: l, former: former, run: run}
	if track != nil {
		s.kept = *track
	}
	if err := s.reset(); err != nil {
		return nil, err
	}
	for _, e := range run.Events {
		s.take(e)
	}
	if n := len(run.Samples); n > 0 {
		s.lastRow = run.Samples[n-1].Time
	}
	s.stale = len(run.Samples) > 0
	return s, nil
}

// How far apart the estimate is moved on while a journal is folded: closely over
// the last stretch, so that what must hold for a while before it is told holds on.
const (
	foldStep     = 5 * time.Minute
	foldFineStep = time.Minute
	foldFine     = 35 * time.Minute // a trend of temperature and the longest hold after it
)

// foldAll folds the whole journal from nothing.
func (s *Session) foldAll(now time.Time, each func(State)) error {
	if err := s.reset(); err != nil {
		return err
	}
	run := s.run
	s.run.Samples = nil
	s.play(run.Events, run.Samples, now, each)
	s.run.Samples = run.Samples
	s.stale, s.adrift, s.asked = false, false, now
	if n := len(run.Samples); n > 0 {
		s.lastRow = run.Samples[n-1].Time
	}
	return nil
}

// play folds events and samples in, in order of time, moving the estimate on
// between them.
func (s *Session) play(events []Event, samples []Recorded, now time.Time, each func(State)) {
	next := time.Time{}
	advance := func(to time.Time) {
		if next.IsZero() {
			next = to.Add(foldStep)
		}
		for !next.After(to) {
			s.catchUp(next, each)
			next = nextFold(next, now)
		}
	}
	for len(events) > 0 || len(samples) > 0 {
		if len(samples) == 0 || len(events) > 0 && !events[0].At.After(samples[0].Time) {
			advance(events[0].At)
			s.take(events[0])
			events = events[1:]
			continue
		}
		x := samples[0]
		advance(x.Time)
		s.est.Observe(x.sample())
		s.sense(x.sample())
		s.run.Samples = append(s.run.Samples, x)
		if x.Time.After(s.last.Time) {
			s.last.Time = x.Time
		}
		samples = samples[1:]
	}
}

// nextFold is when the estimate is moved on next.
func nextFold(at, now time.Time) time.Time {
	fine := now.Add(-foldFine)
	if !at.Before(fine) {
		return at.Add(foldFineStep)
	}
	if next := at.Add(foldStep); next.Before(fine) {
		return next
	}
	return fine
}

// catchUp moves the estimate and the steps on to a moment of the past.
func (s *Session) catchUp(at time.Time, each func(State)) {
	s.observeByHand(at)
	s.last = s.est.CatchUp(at)
	s.followRise()
	if s.process != nil {
		s.process.record(at, s.ownEstimate())
	}
	if each != nil {
		each(s.state(at))
	}
}

// finite returns x, or 0 when it is not known.
func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}
