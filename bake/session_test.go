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
func testVessel(t testing.TB) Vessel {
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

// newSession is one of which nothing is told yet.
func newSession(t testing.TB, v Vessel) *Session {
	t.Helper()
	s, err := NewSession(v, Learned{})
	require.NoError(t, err)
	return s
}

// play runs a day, live, up to a time.
func play(t *testing.T, s *Session, events []told, from, until time.Duration) State {
	t.Helper()
	var state State
	for after := from; after <= until; after += 20 * time.Second {
		for i, e := range events {
			if e.after == after {
				rise := int64(7)
				if e.kind == EventStart && i > 0 {
					rise = 8
				}
				e := Event{ID: int64(i + 1), RiseID: rise, Vessel: "tub", At: day0().Add(after), By: "test", Kind: e.kind, Detail: e.more}
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

// TestFoldedAgain changes what was told of a day, folds it again, once as the session
// goes on and once as one resumes it, and compares with a day told so from the beginning.
func TestFoldedAgain(t *testing.T) {
	type change func(*testing.T, *Session, time.Time)
	day, none := aDay(), func(*testing.T, *Session, time.Time) {}
	undo := func(id int64) change {
		return func(t *testing.T, s *Session, now time.Time) {
			_, err := s.Undo(id, now)
			require.NoError(t, err)
			_, err = s.Undo(id, now)
			require.Error(t, err, "twice")
		}
	}
	late := func(_ *testing.T, s *Session, _ time.Time) {
		s.Apply(Event{ID: 3, RiseID: 7, At: day0().Add(65 * time.Minute), By: "test", Kind: EventFold})
	}
	correct := func(t *testing.T, s *Session, _ time.Time) {
		_, err := s.Correct(3, day0().Add(65*time.Minute))
		require.NoError(t, err)
	}
	and := func(day []told, e told) []told { return append(slices.Clone(day), e) }
	type row struct {
		name   string
		day    []told
		until  time.Duration
		change change
		want   []told
	}
	rows := []row{
		{"early", day, 20 * time.Minute, none, day}, {"after two folds", day, 70 * time.Minute, none, day}, {"in the cold", day, 130 * time.Minute, none, day},
		{"before shaping", day, 4 * time.Hour, none, day}, {"shaped", day, 270 * time.Minute, none, day},
		{"a fold told late", day[:2], 95 * time.Minute, late, day[:3]},
		{"a fold told with a wrong time", and(day[:2], told{EventFold, 90 * time.Minute, Detail{}}), 2 * time.Hour, correct, day[:3]},
		{"a mistaken start", and(day[:3], told{EventStart, 2 * time.Hour, Detail{}}), 150 * time.Minute, undo(4), day[:3]},
	}
	for i, e := range day[1:8] {
		rows = append(rows, row{"taken back: " + string(e.kind) + " " + e.after.String(), day, 190 * time.Minute, undo(int64(i + 2)), slices.Delete(slices.Clone(day), i+1, i+2)})
	}
	for _, c := range rows {
		t.Run(c.name, func(t *testing.T) {
			want := play(t, newSession(t, testVessel(t)), c.want, 0, c.until)
			s := newSession(t, testVessel(t))
			play(t, s, c.day, 0, c.until)
			c.change(t, s, day0().Add(c.until))
			resumed, err := Resume(testVessel(t), Learned{}, nil, s.Journal(), nil)
			require.NoError(t, err)
			assert.True(t, resumed.Stale(), "its samples are not folded yet")
			for _, s := range []*Session{s, resumed} {
				_, got := foldedAgain(t, s, c.until)
				assertAlike(t, want, got)
				assert.Equal(t, want.Rise.ID, got.Rise.ID)
				assert.Len(t, got.Events, len(want.Events))
			}
		})
	}
}

// TestDividingEndsTheRise: the tub stands empty from then on, and nothing is said of what
// cannot be seen in it. Taken back, the dough is in it again.
func TestDividingEndsTheRise(t *testing.T) {
	s := newSession(t, testVessel(t))
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

	_, err := s.Undo(4, day0().Add(at+2*time.Hour))
	require.NoError(t, err)
	require.True(t, s.Stale())
	_, again := foldedAgain(t, s, at)
	assert.EqualValues(t, 7, again.RiseID)
}

// TestARiseThatBeginsByItself is noted, to be stored and taken back.
func TestARiseThatBeginsByItself(t *testing.T) {
	v := testVessel(t)
	v.Estimator.AutoStart = true
	s := newSession(t, v)
	play(t, s, nil, 0, time.Minute)
	store := func(e Event) Event { e.ID, e.RiseID = 11, 3; return e }
	assert.True(t, s.Keep(store))
	assert.False(t, s.Keep(store), "it is kept once")
	state := play(t, s, nil, time.Minute+20*time.Second, time.Hour)
	assert.EqualValues(t, 3, state.RiseID)
	assert.True(t, state.Rise.Auto)
	_, err := s.Undo(11, day0().Add(time.Hour))
	require.NoError(t, err)
	s, state = foldedAgain(t, s, time.Hour)
	assert.Zero(t, state.RiseID)
	assert.Equal(t, StatusNothing, state.Status)
	state = play(t, s, nil, time.Hour+20*time.Second, 2*time.Hour)
	assert.Zero(t, state.RiseID, "the household says when from now on")
}

// TestRefusals are for events that make no sense now.
func TestRefusals(t *testing.T) {
	s := newSession(t, testVessel(t))
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
		s := newSession(t, v)
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
	s := newSession(b, testVessel(b))
	s.Apply(Event{ID: 1, RiseID: 1, At: day0(), Kind: EventStart})
	s.At(day0(), Around{CoreC: math.NaN()})
	now := day0()
	for i := range 3600 {
		after := time.Duration(i) * 10 * time.Second
		now = day0().Add(after)
		if i > 0 && i%180 == 0 && i < 900 {
			s.Apply(Event{ID: int64(i), RiseID: 1, At: now, Kind: EventFold})
		}
		x := sampleAt(after)
		s.run.Samples = append(s.run.Samples, Recorded{Time: now, DistanceMM: x.DistanceMM, DoughC: 24, AirC: 23})
	}
	for b.Loop() {
		fold, _ := s.Again()
		fresh, err := fold(now, nil)
		require.NoError(b, err)
		require.Greater(b, fresh.At(now.Add(10*time.Second), Around{CoreC: math.NaN()}).Estimate.RisePercent, 80.0)
	}
}
