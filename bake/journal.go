package bake

import (
	"slices"
	"time"

	"tidemark/estimator"
)

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

// Journal returns the run under way. It must not be changed.
func (s *Session) Journal() Run { return s.run }

// begins reports whether an event would begin a new run.
func (s *Session) begins(e Event) bool {
	return e.Kind == EventPlan || e.Kind.Starts() && !s.pending()
}

// Apply takes in one event. An event dated before what was seen since is put in its
// place; the session is then stale until it is folded again.
func (s *Session) Apply(e Event) {
	if s.begins(e) {
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
	return e.reachesEstimator() && s.last.Time.Sub(e.At) > lateAfter && !s.last.Time.IsZero()
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

// Adrift reports whether the clock was set and the journal not folded since: State
// then says how things stood before.
func (s *Session) Adrift() bool { return s.adrift }

// Undo marks an event as undone. A start or plan that began the run gives the run
// before back, with what happened since.
func (s *Session) Undo(id int64, now time.Time) (Event, error) {
	i := slices.IndexFunc(s.run.Events, func(e Event) bool { return e.ID == id })
	if i < 0 || s.run.Events[i].Undone() {
		return Event{}, Refuse("undone", nil)
	}
	s.run.Events[i].UndoneAt = now
	e := s.run.Events[i]
	switch {
	case i == 0 && (e.Kind == EventPlan || e.Kind.Starts()):
		s.giveBack()
		s.spoil()
	case e.Kind == EventPlan || e.reachesEstimator():
		s.spoil()
	case e.Kind.Marks():
		s.version++
		s.remark()
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
		before = s.run.RiseID()
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
	if s.former != nil && s.former.RiseID() == riseID {
		s.former = nil
	}
}

// RiseID is the number of the run's rise; 0 when none began.
func (r Run) RiseID() int64 {
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
		return Event{}, Refuse("former", nil)
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

// Keep hands each event that the session noted by itself and nobody stored yet to store,
// and takes over the numbers that it gives: a rise that began with the first valid
// height, a bulk whose end was moved. It reports whether there was one.
func (s *Session) Keep(store func(Event) Event) (some bool) {
	for i := range s.run.Events {
		e := &s.run.Events[i]
		if e.ID != 0 || e.By != ByItself {
			continue
		}
		stored := store(*e)
		e.ID, e.RiseID, some = stored.ID, stored.RiseID, true
		if e.Kind.Starts() {
			s.rise.ID = e.RiseID
		}
	}
	return some
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
	s.stale = len(run.Samples) > 0
	return s, nil
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
	s.stale, s.asked = false, now
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
			if now.Sub(next) > foldFine {
				next = next.Add(foldStep)
			} else {
				next = next.Add(foldFineStep)
			}
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
