package app

import (
	"context"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/sensor/sensortest"
)

func TestNotificationsAreCountedByState(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	a := alert.Alarm{ID: "x", Kind: alert.Near, Vessel: "tub", State: alert.Firing, Since: b.start}
	require.NoError(t, b.store.SaveAlarms(t.Context(), []alert.Alarm{a}, []alert.Notification{
		{ID: "x/phone/0", AlarmID: "x", Channel: "phone", State: alert.Waiting, CreatedAt: b.start},
		{ID: "x/mail/0", AlarmID: "x", Channel: "mail", State: alert.Sent, CreatedAt: b.start}}))
	b.app.report(t.Context())
	assert.Equal(t, map[string]int{"waiting": 1, "sent": 1}, b.app.Snapshot().System.NotificationsByState)
}

func TestHeartbeatIsShown(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	assert.Zero(t, b.app.Snapshot().System.HeartbeatAt)
	there := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer there.Close()
	ctx, cancel := context.WithCancel(t.Context())
	beat := channel.NewHeartbeat(alert.Secret(there.URL), func() error { return nil }, nil)
	b.app.heartbeat.Store(beat)
	var done sync.WaitGroup
	done.Go(func() { beat.Run(ctx) })
	require.Eventually(t, func() bool { return !b.app.Snapshot().System.HeartbeatAt.IsZero() }, time.Minute, 5*time.Millisecond)
	cancel()
	done.Wait()
}

// TestReadingTimesAreShown runs the live App for a while: the sensors of the tree
// answer at once, and none is late.
func TestReadingTimesAreShown(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		r := openLive(t, state, tree, time.Now(), noFault)
		time.Sleep(2 * time.Minute) // the bubble's time, not real
		s := r.app.Snapshot()
		r.app.vessels["tub"].timed(heightRole, nil, time.Second, 3)
		late := r.app.Snapshot().System.SamplesLate
		r.stop()
		require.NoError(t, r.store.Close(t.Context()))
		assert.Zero(t, s.System.SamplesLate)
		assert.Equal(t, uint64(3), late)
		require.Len(t, s.Vessels[0].Sensors, 3)
		for _, x := range s.Vessels[0].Sensors {
			assert.GreaterOrEqual(t, x.ReadSeconds, 0.0, x.Sensor)
		}
	})
}
