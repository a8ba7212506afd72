package history

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

func TestMaintain(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	now := t0
	s := openTest(t, Options{FlushEvery: time.Hour, Now: func() time.Time { return now }})
	id := begin(t, s, "tub", t0)
	peak := row(900)
	peak.RisePercent, peak.Event = 250, estimator.Fold
	for i := range 2160 { // six hours
		r := row(i)
		if i == 900 {
			r = peak
		}
		require.NoError(t, s.AppendRow(id, r))
	}
	open := begin(t, s, "jar", t0)
	require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: id, Vessel: "tub", StartedAt: t0, EndedAt: t0.Add(6 * time.Hour)}))
	sent := notification("sent", "a", t0)
	sent.State = "sent"
	alive := notification("alive", "b", t0)
	alive.State = "sent"
	require.NoError(t, s.SaveAlarm(ctx, alarm("a", id, alert.Resolved, t0), []alert.Notification{sent, notification("waiting", "a", t0)}))
	require.NoError(t, s.SaveAlarm(ctx, alarm("b", open, alert.Resolved, t0), []alert.Notification{alive}))

	thinned, removed, err := s.Maintain(ctx)
	require.NoError(t, err)
	assert.Zero(t, thinned+int(removed), "nothing is due yet")

	now = t0.Add(500 * 24 * time.Hour)
	before, err := s.ThinRows(ctx, id, time.Time{}, time.Time{}, 60)
	require.NoError(t, err)
	thinned, removed, err = s.Maintain(ctx)
	require.NoError(t, err)
	assert.Equal(t, []int{1, 1}, []int{thinned, int(removed)})
	rows := collect(t, s, id)
	assert.Less(t, len(rows), 160)
	assert.Greater(t, len(rows), 100)
	assert.Contains(t, fmt.Sprintf("%+v", rows), fmt.Sprintf("%+v", rounded(peak)), "the peak and the fold stay")
	for _, l := range []string{"waiting", "alive"} {
		storedNotification(t, s, l)
	}
	after, err := s.ThinRows(ctx, id, time.Time{}, time.Time{}, 60)
	require.NoError(t, err)
	assert.Equal(t, before[0].Time, after[0].Time)
	assert.Equal(t, before[len(before)-1].Time, after[len(after)-1].Time)
	assert.True(t, slices.ContainsFunc(after, func(r Row) bool { return r.RisePercent == 250 }), "the highest is still in it")
	thinned, removed, err = s.Maintain(ctx)
	require.NoError(t, err)
	assert.Zero(t, thinned+int(removed), "a second pass finds nothing")
}
