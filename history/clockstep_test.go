package history

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

// twoRuns stores a rise that an earlier run began and a late clock goes on with:
// samples, an act, an alarm and a notification of each, and a second rise that began and
// ended by the late clock. It returns the first moment of the late clock.
func twoRuns(t *testing.T, s *Store) (old, fresh int64, late time.Time) {
	t.Helper()
	late = t0.Add(time.Hour)
	old, fresh = begin(t, s, "tub", t0), begin(t, s, "jar", late)
	for _, at := range []time.Time{t0.Add(time.Minute), late.Add(time.Minute)} {
		require.NoError(t, s.AppendRow(old, bake.Recorded{Time: at}))
		_ = must(s.AddEvent(t.Context(), bake.Event{RiseID: old, At: at, Kind: "fold"}))
		id := "near-" + at.Format("1504")
		require.NoError(t, s.SaveAlarms(t.Context(), []alert.Alarm{alarm(id, old, alert.Firing, at)}, []alert.Notification{notification(id+"/phone", id, at)}))
	}
	require.NoError(t, s.AppendRow(fresh, bake.Recorded{Time: late.Add(time.Minute)}))
	r := must(s.Rise(t.Context(), fresh))
	r.EndedAt = late.Add(2 * time.Minute)
	require.NoError(t, s.UpdateRise(t.Context(), r))
	of := alarm("disk", 0, alert.Snoozed, late)
	of.SnoozedAt, of.SnoozedUntil = late.Add(time.Minute), late.Add(31*time.Minute)
	require.NoError(t, s.SaveAlarms(t.Context(), []alert.Alarm{of}, nil))
	return old, fresh, late
}

// stored returns the times of what twoRuns stored, in the order they are asked for.
func stored(t *testing.T, s *Store, old, fresh int64) (out []time.Time) {
	t.Helper()
	for _, r := range collect(t, s, old) {
		out = append(out, r.Time)
	}
	events := must(s.Events(t.Context(), old))
	for _, e := range events {
		out = append(out, e.At)
	}
	for _, id := range []int64{old, fresh} {
		r := must(s.Rise(t.Context(), id))
		out = append(out, r.StartedAt, r.EndedAt)
	}
	alarms := must(s.OpenAlarms(t.Context()))
	for _, a := range alarms {
		out = append(out, a.Since, a.SnoozedUntil)
	}
	notifications := must(s.WaitingNotifications(t.Context()))
	for _, n := range notifications {
		out = append(out, n.CreatedAt)
	}
	return out
}

// TestClockStepOfOneRun moves what a late clock has stamped, whatever it belongs
// to, and leaves what the run before has.
func TestClockStepOfOneRun(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	old, fresh, late := twoRuns(t, s)
	const by = 5 * time.Hour
	before := stored(t, s, old, fresh)
	require.NoError(t, s.StepClock(t.Context(), ClockStep{All: true, ClockStep: alert.ClockStep{From: late, Before: late.Add(10 * time.Minute), By: by}}))
	for i, at := range before {
		if !at.Before(late) {
			before[i] = at.Add(by)
		}
	}
	assert.Equal(t, before, stored(t, s, old, fresh))
	assert.Len(t, before, 16)
}

// TestClockStepMovesAllOrNothing fails in the last part of a move.
func TestClockStepMovesAllOrNothing(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	old, fresh, late := twoRuns(t, s)
	_ = must(s.db.ExecContext(t.Context(), "CREATE TRIGGER broken AFTER UPDATE ON alarms BEGIN SELECT RAISE(ABORT, 'broken'); END"))
	before := stored(t, s, old, fresh)
	require.ErrorContains(t, s.StepClock(t.Context(), ClockStep{All: true, ClockStep: alert.ClockStep{From: late, By: time.Hour}}), "broken")
	assert.Equal(t, before, stored(t, s, old, fresh))
}

// TestClockStepFrom1970 moves far away and then onto itself.
func TestClockStepFrom1970(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	wrong := time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC)
	id := begin(t, s, "tub", wrong)
	for i := range 100 {
		r := row(i)
		r.Time = wrong.Add(time.Duration(i) * 10 * time.Second)
		require.NoError(t, s.AppendRow(id, r))
	}
	_ = must(s.AddEvent(t.Context(), bake.Event{RiseID: id, At: wrong.Add(time.Minute), Kind: "fold"}))
	require.NoError(t, s.AppendForecast(Forecast{RiseID: id, At: wrong.Add(time.Minute), Ready: estimator.Window{Median: wrong.Add(time.Hour)}}))
	// A sample taken after the clock was set stays.
	require.NoError(t, s.AppendRow(id, bake.Recorded{Time: t0.Add(2000 * time.Second)}))
	for _, by := range []time.Duration{t0.Sub(wrong), -15 * time.Second} { // far away, and onto itself
		require.NoError(t, s.StepClock(t.Context(), ClockStep{RiseID: id, ClockStep: alert.ClockStep{Before: t0.Add(1500 * time.Second), By: by}}))
	}
	rows := collect(t, s, id)
	require.Len(t, rows, 101)
	assert.Equal(t, t0.Add(-15*time.Second), rows[0].Time)
	assert.Equal(t, t0.Add(975*time.Second), rows[99].Time)
	assert.Equal(t, t0.Add(2000*time.Second), rows[100].Time)
	r := must(s.Rise(t.Context(), id))
	assert.Equal(t, t0.Add(-15*time.Second), r.StartedAt)
	acts := must(s.Events(t.Context(), id))
	assert.Equal(t, t0.Add(45*time.Second), acts[0].At)
	f := must(s.Forecasts(t.Context(), id))
	assert.Equal(t, t0.Add(45*time.Second), f[0].At)
	assert.Equal(t, t0.Add(time.Hour-15*time.Second), f[0].Ready.Median)
}

// TestClockStepOnAFullDisk moves the times when the disk takes writes again, and only of
// what was stamped before: the clock was ahead, so what came since lies among it.
func TestClockStepOnAFullDisk(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(0)))
	require.NoError(t, s.Flush(ctx))
	free := fill(t, s)
	for i := range 500 { // more than the last page holds
		require.NoError(t, s.AppendRow(id, row(i+1)))
	}
	require.True(t, isRefusal(s.Flush(ctx)))
	_ = must(s.AddEvent(ctx, bake.Event{RiseID: id, At: t0.Add(time.Minute), Kind: "fold", Detail: bake.Detail{Note: strings.Repeat("a", 3000)}}))
	const by = -time.Hour
	before := row(501).Time
	require.NoError(t, s.StepClock(ctx, ClockStep{RiseID: id, ClockStep: alert.ClockStep{Before: before, By: by}}))
	require.NoError(t, s.AppendRow(id, bake.Recorded{Time: before.Add(by)}))
	free()
	_ = must(s.AddEvent(ctx, bake.Event{RiseID: id, At: before.Add(by), Kind: "note"}))
	require.NoError(t, s.Flush(ctx))
	rows := collect(t, s, id)
	require.Len(t, rows, 502)
	for i, r := range rows {
		assert.Equal(t, row(i).Time.Add(by), r.Time)
	}
	events := must(s.Events(ctx, id))
	assert.Equal(t, []time.Time{t0.Add(time.Minute + by), before.Add(by)}, []time.Time{events[0].At, events[1].At})
	r := must(s.Rise(ctx, id))
	assert.Equal(t, t0.Add(by), r.StartedAt)
}
