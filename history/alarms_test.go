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

// full is an alarm with every field set.
func full(id string, riseID int64, since time.Time) alert.Alarm {
	at := func(minutes int) time.Time { return since.Add(time.Duration(minutes) * time.Minute) }
	return alert.Alarm{ID: id, Kind: alert.Over, Reason: alert.PastMark, Vessel: "tub", RiseID: riseID, State: alert.Firing, Since: since, FiredAt: at(1),
		AckedAt: at(2), AckedBy: "page", SnoozedAt: at(3), SnoozedUntil: at(4), ResolvedAt: at(5), Title: "tub: über die Marke",
		Text: "Zeile mit Umlaut: über\nund \"Anführung\"", Priority: 4, Level: 2, LastSentAt: at(6), Tap: bake.EventShaped}
}

// TestAlarmsComeBack as they were saved last, oldest first: those not resolved, and those
// resolved of rises under way; and the notifications that wait. On a full disk as well.
func TestAlarmsComeBack(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	open, ended := begin(t, s, "tub", t0), begin(t, s, "jar", t0)
	require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: ended, Vessel: "jar", StartedAt: t0, EndedAt: t0.Add(time.Hour)}))
	resolved := func(a alert.Alarm) alert.Alarm { a.State = alert.Resolved; return a }
	want := []alert.Alarm{full("first", open, t0), resolved(full("over", open, t0.Add(time.Minute))), full("later", ended, t0.Add(time.Hour))}
	n, sent := notification("first/phone/0", "first", t0.Add(time.Minute)), notification("first/mail/0", "first", t0)
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{want[2], resolved(full("gone", ended, t0)), want[1], full("first", ended, t0)}, []alert.Notification{n, sent}))
	require.NoError(t, s.SaveAlarms(ctx, want[:1], nil))
	check := func(wait ...alert.Notification) {
		t.Helper()
		got := must(s.OpenAlarms(ctx))
		assert.Equal(t, want, got)
		of := must(s.Alarms(ctx, open))
		assert.Equal(t, want[:2], of)
		due := must(s.WaitingNotifications(ctx))
		assert.Equal(t, wait, due)
	}
	check(sent, n)
	free := fill(t, s)
	want[0].Text, sent.State, sent.SentAt, sent.Answer = longText(), alert.Sent, t0.Add(time.Hour), longText()
	require.NoError(t, s.SaveAlarms(ctx, want[:1], []alert.Notification{sent}))
	require.NotEmpty(t, s.Health().Problem)
	check(n)
	free()
	require.NoError(t, s.Flush(ctx))
	path := s.Path()
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, path, Options{}))
	defer closing(t, s)
	check(n)
	counts := must(s.NotificationCounts(ctx))
	assert.Equal(t, map[string]int{alert.Waiting: 1, alert.Sent: 1}, counts)
}
