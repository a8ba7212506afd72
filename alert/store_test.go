package alert_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/history"
)

// A Store keeps its promises: what was saved comes back unchanged to the millisecond;
// alarms and notifications come oldest first; a notification that was sent is neither
// replaced nor withdrawn; one that was withdrawn does not go back to waiting; an outcome
// changes no times; everything survives closing and opening again.

// harness is a store opened for one test.
type harness struct {
	alert.Store
	rise   int64              // ID of a rise under way
	reopen func() alert.Store // returns the store after it was closed and opened again
}

// inMemory opens a MemStore.
func inMemory(*testing.T) harness {
	s := alert.NewMemStore()
	return harness{s, 1, func() alert.Store { return s }}
}

// onDisk opens the SQLite store of package history.
func onDisk(t *testing.T) harness {
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s, err := history.Open(t.Context(), path, history.Options{})
	require.NoError(t, err)
	current := s
	t.Cleanup(func() { _ = current.Close(t.Context()) })
	rise, err := s.BeginRise(t.Context(), bake.Rise{Vessel: "tub", StartedAt: moment()}, nil)
	require.NoError(t, err)
	return harness{s, rise, func() alert.Store {
		require.NoError(t, current.Close(t.Context()))
		current, err = history.Open(t.Context(), path, history.Options{})
		require.NoError(t, err)
		return current
	}}
}

// moment is when the invented notifications are written.
func moment() time.Time { return time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC) }

func TestStoresKeepTheirPromises(t *testing.T) {
	for kind, open := range map[string]func(*testing.T) harness{"memory": inMemory, "SQLite": onDisk} {
		for name, check := range map[string]func(*testing.T, harness){
			"alarms": alarms, "order": order, "notifications": notifications, "final states": finalStates,
		} {
			t.Run(kind+"/"+name, func(t *testing.T) { check(t, open(t)) })
		}
	}
}

// sampleAlarm returns an alarm with every field set.
func sampleAlarm(id string, rise int64, since time.Time) alert.Alarm {
	return alert.Alarm{
		ID: id, Kind: alert.Over, Reason: alert.PastMark, Vessel: "tub", RiseID: rise, State: alert.Firing,
		Since: since, FiredAt: since.Add(time.Minute), AckedAt: since.Add(2 * time.Minute), AckedBy: "page",
		SnoozedAt: since.Add(3 * time.Minute), SnoozedUntil: since.Add(4 * time.Minute), ResolvedAt: since.Add(5 * time.Minute),
		Title: "tub: past the mark", Text: "Zeile mit Umlaut: über\nund \"Anführung\"", Priority: 4, Level: 2,
		LastSentAt: since.Add(90 * time.Second),
	}
}

// sample returns a waiting notification with every field set that a waiting one has.
func sample(id, alarmID string, created time.Time) alert.Notification {
	return alert.Notification{ID: id, AlarmID: alarmID, Channel: "phone", Message: alert.Message{ID: id, Text: "über"},
		CreatedAt: created, State: alert.Waiting}
}

// open returns the open alarms, in UTC.
func open(t *testing.T, s alert.Store) []alert.Alarm {
	t.Helper()
	got, err := s.OpenAlarms(t.Context())
	require.NoError(t, err)
	for i := range got {
		a := &got[i]
		for _, p := range []*time.Time{&a.Since, &a.FiredAt, &a.AckedAt, &a.SnoozedAt, &a.SnoozedUntil, &a.ResolvedAt, &a.LastSentAt} {
			*p = p.UTC()
		}
	}
	return got
}

// waiting returns the waiting notifications, in UTC.
func waiting(t *testing.T, s alert.Store) []alert.Notification {
	t.Helper()
	got, err := s.WaitingNotifications(t.Context())
	require.NoError(t, err)
	for i := range got {
		got[i].CreatedAt, got[i].SentAt = got[i].CreatedAt.UTC(), got[i].SentAt.UTC()
	}
	return got
}

func alarms(t *testing.T, h harness) {
	want := sampleAlarm("over-tub-1", h.rise, moment())
	require.NoError(t, h.SaveAlarm(t.Context(), want, nil))
	assert.Equal(t, []alert.Alarm{want}, open(t, h))
	want.State, want.Text = alert.Resolved, "another text"
	require.NoError(t, h.SaveAlarm(t.Context(), want, nil))
	other := sampleAlarm("lost-1", 0, moment())
	other.State = alert.Resolved
	require.NoError(t, h.SaveAlarm(t.Context(), other, nil))
	assert.Equal(t, []alert.Alarm{want}, open(t, h), "resolved ones only of a rise under way")
	assert.Equal(t, []alert.Alarm{want}, open(t, h.reopen()))
}

func order(t *testing.T, h harness) {
	var ns []alert.Notification
	for i, minute := range []int{4, 2, 0, 1, 3} {
		at := moment().Add(time.Duration(minute) * time.Minute)
		require.NoError(t, h.SaveAlarm(t.Context(), sampleAlarm(fmt.Sprint(i), h.rise, at), nil))
		ns = append(ns, sample(fmt.Sprintf("x/phone/%d", i), "x", at))
	}
	require.NoError(t, h.SaveAlarm(t.Context(), sampleAlarm("x", h.rise, moment().Add(time.Hour)), ns))
	var ids []string
	for _, a := range open(t, h) {
		ids = append(ids, a.ID)
	}
	assert.Equal(t, []string{"2", "3", "1", "4", "0", "x"}, ids)
	assert.Equal(t, []alert.Notification{ns[2], ns[3], ns[1], ns[4], ns[0]}, waiting(t, h))
	assert.Len(t, waiting(t, h.reopen()), 5)
}

func notifications(t *testing.T, h harness) {
	a, n := sampleAlarm("x", h.rise, moment()), sample("x/phone/0", "x", moment())
	save := func(n alert.Notification) {
		require.NoError(t, h.SaveAlarm(t.Context(), a, []alert.Notification{n}))
	}
	save(n)
	n.Message.Text = "newer"
	save(n)
	assert.Equal(t, []alert.Notification{n}, waiting(t, h), "a waiting one is replaced")
	n.Attempts, n.Answer = 3, "503 try later"
	attempt := n
	attempt.CreatedAt, attempt.Message = moment().Add(-time.Hour), alert.Message{}
	require.NoError(t, h.SaveNotification(t.Context(), attempt))
	assert.Equal(t, []alert.Notification{n}, waiting(t, h), "an outcome changes neither times nor body")
	require.NoError(t, h.SaveNotification(t.Context(), sample("unknown", "x", moment())))
	assert.Len(t, waiting(t, h), 1, "an unknown one is not stored")

	n.State = alert.Withdrawn
	save(n)
	require.NoError(t, h.SaveNotification(t.Context(), attempt), "of an attempt that was under way")
	assert.Empty(t, waiting(t, h), "a withdrawn one does not wait again")
	attempt.State, attempt.SentAt = alert.Sent, moment()
	require.NoError(t, h.SaveNotification(t.Context(), attempt))
	n.State = alert.Waiting
	save(n)
	assert.Empty(t, waiting(t, h), "a sent one is not sent again")
}

func finalStates(t *testing.T, h harness) {
	want := map[string]int{}
	for _, state := range []string{alert.Waiting, alert.Sent, alert.Failed, alert.Expired, alert.Withdrawn} {
		n := sample("x/"+state+"/0", "x", moment())
		require.NoError(t, h.SaveAlarm(t.Context(), sampleAlarm("x", h.rise, moment()), []alert.Notification{n}))
		n.State = state
		require.NoError(t, h.SaveNotification(t.Context(), n))
		want[state] = 1
	}
	assert.Len(t, waiting(t, h), 1)
	counts, err := h.NotificationCounts(t.Context())
	require.NoError(t, err)
	assert.Equal(t, want, counts)
}
