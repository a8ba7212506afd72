package history

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// alarm is an invented alarm of a rise.
func alarm(id string, riseID int64, state alert.State, since time.Time) alert.Alarm {
	return alert.Alarm{ID: id, Kind: alert.Near, Vessel: "tub", RiseID: riseID, State: state, Since: since,
		Title: "Nearly at the mark", Text: "tub: at the mark at 18:20.", Priority: 4}
}

// notification is an invented notification of an alarm.
func notification(id, alarmID string, at time.Time) alert.Notification {
	return alert.Notification{ID: id, AlarmID: alarmID, Channel: "phone", Message: alert.Message{Title: "1"}, CreatedAt: at, State: "waiting"}
}

// ids are the ids of alarms or notifications.
func ids[T any](list []T) []string {
	out := []string{}
	for _, v := range list {
		switch v := any(v).(type) {
		case alert.Alarm:
			out = append(out, v.ID)
		case alert.Notification:
			out = append(out, v.ID)
		}
	}
	return out
}

func TestAlarmsAndNotifications(t *testing.T) {
	s := openTest(t, Options{})
	ctx := t.Context()
	open := begin(t, s, "tub", t0)
	ended := begin(t, s, "jar", t0)
	require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: ended, Vessel: "jar", StartedAt: t0, EndedAt: t0.Add(time.Hour)}))

	first := alarm("b", open, alert.Firing, t0.Add(time.Minute))
	l := notification("b/phone/0", "b", t0)
	require.NoError(t, s.SaveAlarm(ctx, first, []alert.Notification{l}))
	require.NoError(t, s.SaveAlarm(ctx, alarm("a", open, alert.Resolved, t0), nil))
	require.NoError(t, s.SaveAlarm(ctx, alarm("c", ended, alert.Resolved, t0), nil))
	require.NoError(t, s.SaveAlarm(ctx, alarm("d", ended, alert.Acknowledged, t0.Add(time.Hour)), nil))
	got, err := s.OpenAlarms(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"a", "b", "d"}, ids(got), "oldest first; resolved ones only of rises under way")
	assert.Equal(t, first, got[1])

	due, err := s.WaitingNotifications(ctx)
	require.NoError(t, err)
	assert.Equal(t, []alert.Notification{l}, due)

	// A waiting notification is replaced, a sent one is not.
	l.Message.Title = "2"
	require.NoError(t, s.SaveAlarm(ctx, first, []alert.Notification{l}))
	due, err = s.WaitingNotifications(ctx)
	require.NoError(t, err)
	assert.Equal(t, []alert.Notification{l}, due)
	l.State, l.Attempts, l.SentAt, l.Answer = "sent", 1, t0.Add(2*time.Minute), "200"
	require.NoError(t, s.SaveNotification(ctx, l))
	again := notification("b/phone/0", "b", t0.Add(time.Hour))
	require.NoError(t, s.SaveAlarm(ctx, first, []alert.Notification{again}))
	due, err = s.WaitingNotifications(ctx)
	require.NoError(t, err)
	assert.Empty(t, due)
	stored := storedNotification(t, s, l.ID)
	assert.Equal(t, l, stored)

	// In order; what was sent is not withdrawn, and what was withdrawn does not wait again.
	for i := range 5 {
		require.NoError(t, s.SaveAlarm(ctx, first, []alert.Notification{notification(fmt.Sprintf("b/phone/%d", 9-i), "b", t0.Add(time.Duration(i)*time.Second))}))
	}
	due, err = s.WaitingNotifications(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"b/phone/9", "b/phone/8", "b/phone/7", "b/phone/6", "b/phone/5"}, ids(due))
	sent, attempt := l, due[0]
	sent.State, attempt.Attempts = alert.Withdrawn, 1
	back := []alert.Notification{sent}
	for _, n := range due {
		n.State = alert.Withdrawn
		back = append(back, n)
	}
	require.NoError(t, s.SaveAlarm(ctx, first, back))
	require.NoError(t, s.SaveNotification(ctx, attempt))
	require.NoError(t, s.SaveNotification(ctx, notification("unknown", "b", t0)))
	due, err = s.WaitingNotifications(ctx)
	require.NoError(t, err)
	assert.Empty(t, due)
	stored = storedNotification(t, s, l.ID)
	assert.Equal(t, "sent", stored.State, "a sent notification is not withdrawn")
}

// storedNotification reads one notification.
func storedNotification(t *testing.T, s *Store, id string) alert.Notification {
	t.Helper()
	n, err := s.notification(t.Context(), id)
	require.NoError(t, err)
	require.NotNil(t, n)
	return *n
}
