package history

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
)

func TestOldNotificationsGo(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	now := t0
	s := openTest(t, Options{FlushEvery: time.Hour, Now: func() time.Time { return now }})
	open := begin(t, s, "jar", t0)
	sent, alive := notification("sent", "a", t0), notification("alive", "b", t0)
	sent.State, alive.State = "sent", "sent"
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm("a", 99, alert.Resolved, t0)}, []alert.Notification{sent, notification("waiting", "a", t0)}))
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm("b", open, alert.Resolved, t0)}, []alert.Notification{alive}))
	for _, want := range []int64{0, 1, 0} { // nothing is due yet; then what was sent; a second pass finds nothing
		removed := must(s.dropOld(ctx))
		assert.Equal(t, want, removed)
		now = t0.Add(100 * 24 * time.Hour)
	}
	for _, l := range []string{"waiting", "alive"} {
		_ = must(notifications().one(ctx, s, "notification", l))
	}
}
