package bake

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
	"tidemark/estimator/geometry"
)

// told is an event of an invented day: what, and how long after its start.
type told struct {
	kind  EventKind
	after time.Duration
	more  Detail
}

// aDay is an invented bulk with two folds, a stay in the cold, another mark and
// shaping, in a straight tub of 80 mm of dough.
func aDay() []told {
	return []told{
		{EventStart, 0, Detail{}},
		{EventFold, 32 * time.Minute, Detail{}},
		{EventFold, 65 * time.Minute, Detail{}},
		{EventTarget, 80 * time.Minute, Detail{TargetPercent: 70}},
		{EventLook, 100 * time.Minute, Detail{SeenPercent: 20}},
		{EventFridge, 2 * time.Hour, Detail{}},
		{EventCounter, 2*time.Hour + 20*time.Minute, Detail{}},
		{EventNote, 3 * time.Hour, Detail{Note: "by the stove"}},
		{EventShaped, 4*time.Hour + 10*time.Minute, Detail{}},
	}
}

// day0 is when the invented day begins.
func day0() time.Time { return time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC) }

// testVessel is a straight tub.
func testVessel(t *testing.T) Vessel {
	t.Helper()
	p, err := geometry.FromPoints([]geometry.Point{{HeightMM: 0, VolumeL: 0}, {HeightMM: 240, VolumeL: 6}})
	require.NoError(t, err)
	b := DefaultBatch()
	return Vessel{Name: "tub", Batch: &b, Estimator: estimator.Config{Profile: p, FloorMM: 300, Holds: estimator.Dough, TargetPercent: 100}}
}

// levelAt is the invented rise in percent, whatever is told.
func levelAt(after time.Duration) float64 {
	return 130 / (1 + math.Exp(3.4-1.1*after.Hours())) * (1 - math.Exp(-after.Hours()))
}

// sampleAt is what the sensors give.
func sampleAt(after time.Duration) estimator.Sample {
	wobble := 0.5 * math.Sin(float64(after/time.Second)*1.7)
	return estimator.Sample{Time: day0().Add(after), DistanceMM: 300 - 80*(1+levelAt(after)/100) + wobble, DoughC: 24.5, AirC: 23}
}

// play runs a day, live, up to a time.
func play(t *testing.T, s *Session, events []told, from, until time.Duration) State {
	t.Helper()
	var state State
	for after := from; after <= until; after += 20 * time.Second {
		for i, e := range events {
			if e.after == after {
				e := Event{ID: int64(i + 1), RiseID: 7, Vessel: "tub", At: day0().Add(after), By: "test", Kind: e.kind, Detail: e.more}
				require.NoError(t, s.check(e), "%s", e.Kind)
				s.Apply(e)
			}
		}
		s.Observe(sampleAt(after))
		if after%(2*time.Minute) != 0 && after != until {
			continue
		}
		state = s.At(day0().Add(after), Around{CoreC: math.NaN()})
	}
	return state
}

// foldedAgain folds a session's journal once more.
func foldedAgain(t *testing.T, s *Session, after time.Duration) (*Session, State) {
	t.Helper()
	fold, follow := s.Again()
	fresh, err := fold(day0().Add(after), nil)
	require.NoError(t, err)
	require.True(t, follow(fresh))
	return fresh, fresh.At(day0().Add(after), Around{CoreC: math.NaN()})
}

// assertAlike compares what two states say, as far as a fold may differ.
func assertAlike(t *testing.T, want, got State) {
	t.Helper()
	assert.Equal(t, want.Status, got.Status)
	assert.Equal(t, want.InFridge, got.InFridge)
	assert.Equal(t, want.RiseID, got.RiseID)
	assert.Equal(t, want.Estimate.TargetPercent, got.Estimate.TargetPercent)
	if !math.IsNaN(want.Estimate.RisePercent) {
		assert.InDelta(t, want.Estimate.RisePercent, got.Estimate.RisePercent, max(1.5, want.Estimate.RiseSD))
	}
	require.Len(t, got.Steps, len(want.Steps))
	for i := range want.Steps {
		assert.Equal(t, toldState(want.Steps[i]), toldState(got.Steps[i]), want.Steps[i].ID)
	}
}

// toldState returns a step's state; one that only the forecast leaves out, which may
// change from minute to minute, counts as waiting.
func toldState(s Step) StepState {
	if s.State == Skipped && s.By == "forecast" {
		return Waiting
	}
	return s.State
}

// TestAFoldComesToTheSame stops a day five times and folds its journal: of the session
// itself, and of one that resumes it.
func TestAFoldComesToTheSame(t *testing.T) {
	s, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	from := time.Duration(0)
	for _, until := range []time.Duration{20 * time.Minute, 70 * time.Minute, 2*time.Hour + 10*time.Minute, 4 * time.Hour, 4*time.Hour + 30*time.Minute} {
		live := play(t, s, aDay(), from, until)
		from = until + 20*time.Second
		_, again := foldedAgain(t, s, until)
		assertAlike(t, live, again)

		resumed, err := Resume(testVessel(t), Learned{}, nil, s.Journal(), nil)
		require.NoError(t, err)
		assert.True(t, resumed.Stale(), "its samples are not folded yet")
		_, after := foldedAgain(t, resumed, until)
		assertAlike(t, live, after)
		assert.Equal(t, live.Rise.ID, after.Rise.ID)
	}
}

// TestAnEventTakenBackNeverHappened takes back each event of one day and compares with
// the journal of a day without it.
func TestAnEventTakenBackNeverHappened(t *testing.T) {
	const until = 3*time.Hour + 10*time.Minute
	day, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	play(t, day, aDay(), 0, until)
	for i, e := range aDay() {
		if i == 0 || e.after > until {
			continue
		}
		t.Run(string(e.kind)+" "+e.after.String(), func(t *testing.T) {
			whole := day.Journal()
			s, err := Resume(testVessel(t), Learned{}, nil, Run{slices.Clone(whole.Events), whole.Samples}, nil)
			require.NoError(t, err)
			undone, err := s.Undo(int64(i+1), day0().Add(until))
			require.NoError(t, err)
			assert.Equal(t, e.kind, undone.Kind)
			_, err = s.Undo(int64(i+1), day0().Add(until))
			require.Error(t, err, "twice")
			_, got := foldedAgain(t, s, until)

			without, err := Resume(testVessel(t), Learned{}, nil, Run{slices.Delete(slices.Clone(whole.Events), i, i+1), whole.Samples}, nil)
			require.NoError(t, err)
			_, want := foldedAgain(t, without, until)
			assertAlike(t, want, got)
			assert.Len(t, got.Events, len(want.Events))
		})
	}
}

// TestAnEventToldLate tells a fold half an hour late, and another with a wrong time
// that is corrected: both as if they had been told in time.
func TestAnEventToldLate(t *testing.T) {
	const until = 2 * time.Hour
	right, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	want := play(t, right, aDay()[:3], 0, until)

	day := aDay()[:2]
	s, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	play(t, s, day, 0, 95*time.Minute)
	s.Apply(Event{ID: 3, RiseID: 7, At: day0().Add(65 * time.Minute), By: "test", Kind: EventFold})
	require.True(t, s.Stale())
	s, _ = foldedAgain(t, s, 95*time.Minute)
	assertAlike(t, want, play(t, s, nil, 95*time.Minute+20*time.Second, until))

	day = append(aDay()[:2], told{EventFold, 90 * time.Minute, Detail{}})
	s, err = NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	play(t, s, day, 0, until)
	_, err = s.Correct(3, day0().Add(65*time.Minute))
	require.NoError(t, err)
	_, got := foldedAgain(t, s, until)
	assertAlike(t, want, got)
}

// TestAMistakenStartGivesTheRiseBack starts again in mid-rise and takes that back.
func TestAMistakenStartGivesTheRiseBack(t *testing.T) {
	s, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	play(t, s, aDay()[:3], 0, 2*time.Hour)
	s.Apply(Event{ID: 50, RiseID: 8, At: day0().Add(2 * time.Hour), By: "test", Kind: EventStart})
	now := play(t, s, nil, 2*time.Hour+20*time.Second, 2*time.Hour+30*time.Minute)
	assert.EqualValues(t, 8, now.RiseID)
	_, err = s.Undo(50, day0().Add(2*time.Hour+30*time.Minute))
	require.NoError(t, err)
	_, got := foldedAgain(t, s, 2*time.Hour+30*time.Minute)

	right, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	assertAlike(t, play(t, right, aDay()[:3], 0, 2*time.Hour+30*time.Minute), got)
	assert.EqualValues(t, 7, got.RiseID)
}

// TestDividingEndsTheRise: the tub stands empty from then on, and nothing is said of what
// cannot be seen in it. Taken back, the dough is in it again.
func TestDividingEndsTheRise(t *testing.T) {
	s, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	at := 4 * time.Hour
	play(t, s, append(aDay()[:3], told{EventDone, at, Detail{StepID: divideID}}), 0, at)
	for after := at + 20*time.Second; after < at+2*time.Hour; after += 20 * time.Second {
		empty := sampleAt(after)
		empty.DistanceMM = 300
		s.Observe(empty)
		state := s.At(day0().Add(after), Around{CoreC: math.NaN()})
		require.Zero(t, state.RiseID)
		require.Equal(t, StatusDivided, state.Status)
		require.NotEqual(t, TodoStart, state.Now.Key)
	}
	assert.Equal(t, day0().Add(at), s.State().Rise.EndedAt)
	assert.Equal(t, ShapeID, s.State().Now.StepID)

	_, err = s.Undo(4, day0().Add(at+2*time.Hour))
	require.NoError(t, err)
	require.True(t, s.Stale())
	_, again := foldedAgain(t, s, at)
	assert.EqualValues(t, 7, again.RiseID)
}

// TestANewShapeCountsForTheRise describes the vessel again in mid-rise.
func TestANewShapeCountsForTheRise(t *testing.T) {
	const until = 3 * time.Hour
	v := testVessel(t)
	s, err := NewSession(v, Learned{})
	require.NoError(t, err)
	before := play(t, s, aDay()[:3], 0, until)
	v.Estimator.FloorMM = 310
	s.Describe(v)
	require.True(t, s.Stale())
	_, after := foldedAgain(t, s, until)
	assert.InDelta(t, before.Estimate.LevelMM+10, after.Estimate.LevelMM, 1)
	assert.Less(t, after.Estimate.RisePercent, before.Estimate.RisePercent, "more dough from the start is less rise")
	assert.EqualValues(t, 7, after.RiseID)
}

// TestAClockThatWasSet moves the journal by three hours either way.
func TestAClockThatWasSet(t *testing.T) {
	for _, by := range []time.Duration{3 * time.Hour, -3 * time.Hour} {
		s, err := NewSession(testVessel(t), Learned{})
		require.NoError(t, err)
		before := play(t, s, aDay()[:4], 0, 2*time.Hour)
		s.StepClock(time.Time{}, day0().Add(100*time.Hour), by)
		assert.True(t, s.Adrift())
		fresh, after := foldedAgain(t, s, 2*time.Hour+by)
		assert.False(t, fresh.Adrift())
		assertAlike(t, before, after)
		assert.WithinDuration(t, before.Estimate.Ready.Median.Add(by), after.Estimate.Ready.Median, 5*time.Minute)
		for i := range before.Events {
			assert.Equal(t, before.Events[i].At.Add(by), after.Events[i].At)
		}
	}
}

// TestARiseThatBeginsByItself is noted, to be stored and taken back.
func TestARiseThatBeginsByItself(t *testing.T) {
	v := testVessel(t)
	v.Estimator.AutoStart = true
	s, err := NewSession(v, Learned{})
	require.NoError(t, err)
	play(t, s, nil, 0, time.Minute)
	store := func(e Event) Event { e.ID, e.RiseID = 11, 3; return e }
	assert.True(t, s.Keep(store))
	assert.False(t, s.Keep(store), "it is kept once")
	state := play(t, s, nil, time.Minute+20*time.Second, time.Hour)
	assert.EqualValues(t, 3, state.RiseID)
	assert.True(t, state.Rise.Auto)
	_, err = s.Undo(11, day0().Add(time.Hour))
	require.NoError(t, err)
	s, state = foldedAgain(t, s, time.Hour)
	assert.Zero(t, state.RiseID)
	assert.Equal(t, StatusNothing, state.Status)
	state = play(t, s, nil, time.Hour+20*time.Second, 2*time.Hour)
	assert.Zero(t, state.RiseID, "the household says when from now on")
}

// TestRefusals are for events that make no sense now.
func TestRefusals(t *testing.T) {
	s, err := NewSession(testVessel(t), Learned{})
	require.NoError(t, err)
	var no Refusal
	for _, e := range []Event{
		{Kind: EventFold}, {Kind: EventShaped}, {Kind: EventFridge}, {Kind: EventTarget, Detail: Detail{TargetPercent: 4}}, {Kind: EventLook, Detail: Detail{SeenPercent: 50}}, {Kind: EventLook, Detail: Detail{SeenPercent: -90}},
		{Kind: EventDone, Detail: Detail{StepID: "fold-1"}}, {Kind: EventPlan}, {Kind: EventFed, Detail: Detail{Feed: &Feed{StarterG: -1}}},
	} {
		e.At = day0()
		require.ErrorAs(t, s.check(e), &no, "%s", e.Kind)
		assert.NotEmpty(t, no.Said.Key)
	}
	play(t, s, aDay()[:1], 0, time.Minute)
	require.ErrorAs(t, s.check(Event{Kind: EventDone, At: day0().Add(time.Minute), Detail: Detail{StepID: "no-such-step"}}), &no)
	require.ErrorAs(t, s.check(Event{Kind: EventPlan, At: day0(), Detail: Detail{Plan: &Chosen{}}}), &no)
}

// FuzzSession tells a session whatever at whatever moment, takes back and corrects
// events, and folds again: nothing may panic, and two folds of one journal say the
// same.
func FuzzSession(f *testing.F) {
	f.Add([]byte{0, 0, 1, 2, 30, 3, 3, 60, 9, 20, 5, 1, 5, 120, 0})
	f.Add([]byte{1, 0, 200, 17, 10, 0, 18, 20, 0, 0, 1, 1, 12, 9, 9})
	steps := []string{BulkID, BakeID, OutID, "fold 1", ""}
	f.Fuzz(func(t *testing.T, told []byte) {
		v := testVessel(t)
		s, err := NewSession(v, Learned{})
		if err != nil {
			t.Fatal(err)
		}
		after, id := time.Duration(0), int64(0)
		for told = told[:min(len(told), 60)]; len(told) >= 3; told = told[3:] {
			kind, more := int(told[0])%(len(EventKinds())+2), told[2]
			for until := after + time.Duration(told[1])*4*time.Second; after < until; after += 10 * time.Second {
				s.Observe(sampleAt(after))
			}
			now := day0().Add(after)
			switch kind {
			case len(EventKinds()):
				_, _ = s.Undo(int64(more)%(id+1), now) // refused or not
			case len(EventKinds()) + 1:
				_, _ = s.Correct(int64(more)%(id+1), now.Add(-time.Duration(more)*time.Minute))
			default:
				id++
				e := Event{ID: id, RiseID: 1, Vessel: v.Name, At: now, Told: now, By: "fuzz", Kind: EventKinds()[kind],
					Detail: Detail{TargetPercent: float64(more) * 3, StepID: steps[int(more)%len(steps)], Answer: string(rune(more)), Feed: &Feed{StarterG: float64(more), FlourG: 50, WaterG: 50}}}
				if s.check(e) == nil {
					s.Apply(e)
				}
			}
			_ = s.At(now, Around{CoreC: math.NaN()})
		}
		var states [2]string
		for i := range states {
			fold, _ := s.Again()
			fresh, err := fold(day0().Add(after), nil)
			if err != nil {
				return // the journal makes no sense any more, and that was said
			}
			b, err := json.Marshal(fresh.At(day0().Add(after), Around{CoreC: math.NaN()}).Steps)
			if err != nil {
				t.Fatal(err)
			}
			states[i] = string(b)
		}
		if states[0] != states[1] {
			t.Fatalf("two folds of one journal differ: %s, %s", states[0], states[1])
		}
	})
}

// BenchmarkFold folds ten hours of samples, one every 10 s, with four folds of the
// dough: what a restart, an undo and a corrected time cost late in a rise.
func BenchmarkFold(b *testing.B) {
	shape, err := geometry.Cylinder(200, 240)
	require.NoError(b, err)
	s, err := NewSession(Vessel{Name: "tub", Estimator: estimator.Config{Profile: shape, FloorMM: 240, Holds: estimator.Dough, TargetPercent: 100, Lead: 20 * time.Minute}}, Learned{})
	require.NoError(b, err)
	start := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	s.Apply(Event{ID: 1, RiseID: 1, At: start, Kind: EventStart})
	s.At(start, Around{CoreC: math.NaN()})
	now := start
	for i := range 3600 {
		now = start.Add(time.Duration(i) * 10 * time.Second)
		if i > 0 && i%180 == 0 && i < 900 {
			s.Apply(Event{ID: int64(i), RiseID: 1, At: now, Kind: EventFold})
		}
		rise := 1.2 / (1 + math.Exp(-(now.Sub(start).Hours()-5)/1.2)) // an invented curve
		s.run.Samples = append(s.run.Samples, Recorded{Time: now, DistanceMM: 240 - 60*(1+rise) + 0.4*math.Sin(float64(i)), DoughC: 24, AirC: 23})
	}
	for b.Loop() {
		fold, _ := s.Again()
		fresh, err := fold(now, nil)
		require.NoError(b, err)
		require.Greater(b, fresh.At(now.Add(10*time.Second), Around{CoreC: math.NaN()}).Estimate.RisePercent, 80.0)
	}
}
