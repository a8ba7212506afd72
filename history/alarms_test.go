package history

import (
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

// What alert.Store promises is tested in package alert, for each store.

// TestResolvedAlarmsOfRisesUnderWay are open, those of rises that ended are not.
func TestResolvedAlarmsOfRisesUnderWay(t *testing.T) {
	s := openTest(t, Options{})
	ctx := t.Context()
	open, ended := begin(t, s, "tub", t0), begin(t, s, "jar", t0)
	require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: ended, Vessel: "jar", StartedAt: t0, EndedAt: t0.Add(time.Hour)}))
	for _, a := range []alert.Alarm{alarm("a", open, alert.Resolved, t0), alarm("b", ended, alert.Resolved, t0), alarm("c", ended, alert.Acknowledged, t0)} {
		require.NoError(t, s.SaveAlarm(ctx, a, nil))
	}
	got, err := s.OpenAlarms(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"a", "c"}, ids(got))
}

// storedNotification reads one notification.
func storedNotification(t *testing.T, s *Store, id string) alert.Notification {
	t.Helper()
	n, err := s.notification(t.Context(), id)
	require.NoError(t, err)
	require.NotNil(t, n)
	return *n
}
