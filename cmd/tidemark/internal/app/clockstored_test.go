package app

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// TestStoredWarningsFollowASetClock sets the clock after a warning was raised and
// while its notification waits: alarm, notification and what the page shows stand at the new
// time, and nothing is told twice.
func TestStoredWarningsFollowASetClock(t *testing.T) {
	t.Parallel()
	day := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name   string
		starts time.Time
		by     time.Duration
	}{
		{"three hours forth", day, 3 * time.Hour},
		{"three hours back", day, -3 * time.Hour},
		{"from 1970", time.Unix(30, 0), day.Sub(time.Unix(30, 0))},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newStepBench(t, t.TempDir(), c.starts, 0, t.TempDir(), alert.Route{Name: "phone"})
			defer b.stop()
			b.rise(crossing() - 20*time.Minute)
			require.Equal(t, []alert.Kind{alert.Near}, b.kinds())
			told := b.raised[0]
			require.NoError(t, b.store.Flush(t.Context()))
			b.m.set(b.m.now().Add(c.by))
			b.rise(10 * sampledEvery)
			alarms, err := b.store.OpenAlarms(t.Context())
			require.NoError(t, err)
			require.Len(t, alarms, 1)
			assert.WithinDuration(t, told.FiredAt.Add(c.by), alarms[0].FiredAt, time.Second)
			assert.WithinDuration(t, told.Since.Add(c.by), alarms[0].Since, time.Second)
			assert.NotEqual(t, told.Text, alarms[0].Text, "the time of day in it is a new one")
			notifications, err := b.store.WaitingNotifications(t.Context())
			require.NoError(t, err)
			require.Len(t, notifications, 1)
			assert.WithinDuration(t, told.FiredAt.Add(c.by), notifications[0].CreatedAt, time.Second)
			assert.Contains(t, notifications[0].Message.Text, alarms[0].Text)
			b.rise(40 * time.Minute)
			assert.Equal(t, []alert.Kind{alert.Near, alert.Reached}, b.kinds())
		})
	}
}

// TestARiseThatIsOverFollowsALateClock ends a rise before the clock is set.
func TestARiseThatIsOverFollowsALateClock(t *testing.T) {
	t.Parallel()
	b := newStepBench(t, t.TempDir(), time.Unix(30, 0), 0, t.TempDir())
	defer b.stop()
	b.rise(time.Minute)
	b.do(bake.Event{Kind: bake.EventStart})
	b.rise(20 * time.Minute)
	id := b.vessel().RiseID
	b.do(bake.Event{Kind: bake.EventEnd})
	b.rise(time.Minute)
	b.m.set(time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC))
	b.rise(time.Minute)
	r, err := b.store.Rise(t.Context(), id)
	require.NoError(t, err)
	assert.False(t, r.UnderWay())
	assert.Equal(t, []int{2026, 2026}, []int{r.StartedAt.Year(), r.EndedAt.Year()})
	assert.InDelta(t, 20, r.EndedAt.Sub(r.StartedAt).Minutes(), 1)
}

// TestARiseThatIsOverIsAsLongAgoAsItWas sets the clock after the end of a rise: it
// moves along, and the next one begins when it was told.
func TestARiseThatIsOverIsAsLongAgoAsItWas(t *testing.T) {
	t.Parallel()
	for _, by := range []time.Duration{3 * time.Hour, -3 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			b := newStepBench(t, t.TempDir(), time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC), 0, t.TempDir())
			defer b.stop()
			b.rise(settlesWithin + time.Minute)
			id := b.vessel().RiseID
			b.do(bake.Event{Kind: bake.EventEnd})
			b.rise(time.Minute)
			before, err := b.store.Rise(t.Context(), id)
			require.NoError(t, err)
			b.m.set(b.m.now().Add(by))
			b.rise(time.Minute)
			after, err := b.store.Rise(t.Context(), id)
			require.NoError(t, err)
			assert.Equal(t, before.StartedAt.Add(by), after.StartedAt)
			assert.Equal(t, before.EndedAt.Add(by), after.EndedAt)
			b.do(bake.Event{Kind: bake.EventStart})
			told := b.m.now()
			b.rise(time.Minute)
			next, err := b.store.Rise(t.Context(), b.vessel().RiseID)
			require.NoError(t, err)
			assert.NotEqual(t, id, next.ID)
			assert.WithinDuration(t, told, next.StartedAt, time.Second)
		})
	}
}
