// Package storetest checks that an alert.Store keeps its promises. Every
// implementation runs Run in its tests.
//
// Invariants checked: what was saved comes back unchanged to the millisecond;
// open alarms come oldest first; due notifications come oldest first, up to the
// limit; a sent notification is neither replaced nor withdrawn; a withdrawn notification
// does not go back to waiting; everything survives closing and opening again.
//
// The package does not test what happens at a power cut.
package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
)

// Harness opens a store for one test. Reopen returns the same store after it
// was closed and opened again; nil when it keeps nothing.
type Harness struct {
	Store  alert.Store
	Rise   int64 // ID of a rise under way
	Reopen func() alert.Store
}

// moment is when the invented notifications are written.
func moment() time.Time { return time.Date(2026, 11, 7, 18, 0, 0, 0, time.UTC) }

// Run runs all checks, each on a fresh store.
func Run(t *testing.T, open func(t *testing.T) Harness) {
	for _, c := range []struct {
		name  string
		check func(*testing.T, Harness)
	}{
		{"alarms come back as saved", alarmsComeBack},
		{"open alarms come oldest first", openOldestFirst},
		{"notifications come back as saved", notificationsComeBack},
		{"due notifications: time, order, limit", dueNotifications},
		{"a waiting notification is replaced, a sent one is not", replaced},
		{"withdrawing takes the waiting ones of one alarm", withdrawn},
		{"a withdrawn notification does not go back to waiting", staysWithdrawn},
		{"final states are not due", finalStates},
		{"everything survives opening again", survives},
		{"notifications are counted by state", counts},
	} {
		t.Run(c.name, func(t *testing.T) { c.check(t, open(t)) })
	}
}

// sampleAlarm is an alarm with every field set.
func sampleAlarm(id string, rise int64, since time.Time) alert.Alarm {
	return alert.Alarm{
		ID: id, Kind: alert.Over, Reason: alert.PastMark, Vessel: "tub", RiseID: rise, State: alert.Firing,
		Since: since, FiredAt: since.Add(time.Minute), AckedAt: since.Add(2 * time.Minute), AckedBy: "page",
		SnoozedUntil: since.Add(3 * time.Minute), ResolvedAt: since.Add(4 * time.Minute),
		Title: "tub: past the mark", Text: "Zeile mit Umlaut: über\nund \"Anführung\"", Priority: 4, Level: 2,
		LastSentAt: since.Add(90 * time.Second), LedBy: "reached-tub-1",
	}
}

// sampleNotification is a notification with every field set.
func sampleNotification(id, alarmID string, created time.Time) alert.Notification {
	return alert.Notification{
		ID: id, AlarmID: alarmID, Channel: "phone", Body: []byte(`{"id":"` + id + `","text":"über"}`),
		CreatedAt: created, NotBefore: created, ExpiresAt: created.Add(6 * time.Hour), State: alert.Waiting,
	}
}

func alarmsComeBack(t *testing.T, h Harness) {
	ctx := context.Background()
	want := sampleAlarm("over-tub-1", h.Rise, moment())
	require.NoError(t, h.Store.SaveAlarm(ctx, want, nil))
	got, err := h.Store.OpenAlarms(ctx)
	require.NoError(t, err)
	require.Len(t, got, 1)
	assertAlarm(t, want, got[0])
	want.State, want.Text = alert.Resolved, "another text"
	require.NoError(t, h.Store.SaveAlarm(ctx, want, nil))
	got, err = h.Store.OpenAlarms(ctx)
	require.NoError(t, err)
	require.Len(t, got, 1, "a resolved alarm of a rise under way is still listed")
	assertAlarm(t, want, got[0])
	other := sampleAlarm("lost-1", 0, moment())
	other.State = alert.Resolved
	require.NoError(t, h.Store.SaveAlarm(ctx, other, nil))
	got, err = h.Store.OpenAlarms(ctx)
	require.NoError(t, err)
	assert.Len(t, got, 1, "a resolved alarm of no rise is not")
}

// assertAlarm compares to the millisecond and in any zone.
func assertAlarm(t *testing.T, want, got alert.Alarm) {
	t.Helper()
	for _, p := range []*time.Time{&got.Since, &got.FiredAt, &got.AckedAt, &got.SnoozedUntil, &got.ResolvedAt, &got.LastSentAt} {
		*p = p.UTC().Truncate(time.Millisecond)
	}
	assert.Equal(t, want, got)
}

func openOldestFirst(t *testing.T, h Harness) {
	ctx := context.Background()
	for i, at := range []int{5, 1, 3} {
		a := sampleAlarm(fmt.Sprintf("a%d", i), h.Rise, moment().Add(time.Duration(at)*time.Minute))
		require.NoError(t, h.Store.SaveAlarm(ctx, a, nil))
	}
	got, err := h.Store.OpenAlarms(ctx)
	require.NoError(t, err)
	var ids []string
	for _, a := range got {
		ids = append(ids, a.ID)
	}
	assert.Equal(t, []string{"a1", "a2", "a0"}, ids)
}

// due returns the IDs of the due notifications.
func due(t *testing.T, s alert.Store, at time.Time, limit int) []string {
	t.Helper()
	notifications, err := s.DueNotifications(context.Background(), at, limit)
	require.NoError(t, err)
	ids := []string{}
	for _, l := range notifications {
		ids = append(ids, l.ID)
	}
	return ids
}

func notificationsComeBack(t *testing.T, h Harness) {
	ctx := context.Background()
	want := sampleNotification("x/phone/0", "x", moment())
	require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), []alert.Notification{want}))
	want.Attempts, want.Answer = 3, "503 try later"
	require.NoError(t, h.Store.SaveNotification(ctx, want))
	got, err := h.Store.DueNotifications(ctx, moment(), 10)
	require.NoError(t, err)
	require.Len(t, got, 1)
	for _, p := range []*time.Time{&got[0].CreatedAt, &got[0].NotBefore, &got[0].ExpiresAt, &got[0].SentAt} {
		*p = p.UTC()
	}
	assert.Equal(t, want, got[0])
}

func dueNotifications(t *testing.T, h Harness) {
	ctx := context.Background()
	var notifications []alert.Notification
	for _, minute := range []int{4, 2, 0, 1, 3} {
		notifications = append(notifications, sampleNotification(fmt.Sprintf("x/phone/%d", minute), "x", moment().Add(time.Duration(minute)*time.Minute)))
	}
	require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), notifications))
	assert.Equal(t, []string{}, due(t, h.Store, moment().Add(-time.Millisecond), 10))
	assert.Equal(t, []string{"x/phone/0"}, due(t, h.Store, moment(), 10))
	assert.Equal(t, []string{"x/phone/0", "x/phone/1", "x/phone/2"}, due(t, h.Store, moment().Add(time.Hour), 3))
	held := notifications[2]
	held.NotBefore = moment().Add(2 * time.Hour)
	require.NoError(t, h.Store.SaveNotification(ctx, held))
	assert.Equal(t, []string{"x/phone/1", "x/phone/2"}, due(t, h.Store, moment().Add(time.Hour), 2))
}

func replaced(t *testing.T, h Harness) {
	ctx := context.Background()
	a, l := sampleAlarm("x", h.Rise, moment()), sampleNotification("x/phone/0", "x", moment())
	require.NoError(t, h.Store.SaveAlarm(ctx, a, []alert.Notification{l}))
	l.Body = []byte(`{"text":"newer"}`)
	require.NoError(t, h.Store.SaveAlarm(ctx, a, []alert.Notification{l}))
	got, err := h.Store.DueNotifications(ctx, moment(), 10)
	require.NoError(t, err)
	require.Len(t, got, 1)
	assert.Equal(t, l.Body, got[0].Body)
	l.State, l.SentAt = alert.Sent, moment()
	require.NoError(t, h.Store.SaveNotification(ctx, l))
	l.State = alert.Waiting
	require.NoError(t, h.Store.SaveAlarm(ctx, a, []alert.Notification{l}))
	assert.Empty(t, due(t, h.Store, moment().Add(time.Hour), 10), "a sent notification is not sent again")
}

func withdrawn(t *testing.T, h Harness) {
	ctx := context.Background()
	require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), []alert.Notification{
		sampleNotification("x/phone/0", "x", moment()), sampleNotification("x/mail/0", "x", moment())}))
	require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("y", h.Rise, moment()), []alert.Notification{sampleNotification("y/phone/0", "y", moment())}))
	require.NoError(t, h.Store.WithdrawNotifications(ctx, "x"))
	assert.Equal(t, []string{"y/phone/0"}, due(t, h.Store, moment().Add(time.Hour), 10))
	require.NoError(t, h.Store.WithdrawNotifications(ctx, "x"), "again is no error")
	require.NoError(t, h.Store.WithdrawNotifications(ctx, "unknown"), "an unknown alarm is no error")
}

func staysWithdrawn(t *testing.T, h Harness) {
	ctx := context.Background()
	l := sampleNotification("x/phone/0", "x", moment())
	require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), []alert.Notification{l}))
	require.NoError(t, h.Store.WithdrawNotifications(ctx, "x"))
	l.Attempts, l.Answer = 1, "no route to host"
	require.NoError(t, h.Store.SaveNotification(ctx, l), "the outcome of an attempt that was under way")
	assert.Empty(t, due(t, h.Store, moment().Add(time.Hour), 10))
}

func finalStates(t *testing.T, h Harness) {
	ctx := context.Background()
	for _, state := range []string{alert.Sent, alert.Failed, alert.Expired, alert.Withdrawn} {
		l := sampleNotification("x/"+state+"/0", "x", moment())
		require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), []alert.Notification{l}))
		l.State = state
		require.NoError(t, h.Store.SaveNotification(ctx, l))
	}
	assert.Empty(t, due(t, h.Store, moment().Add(time.Hour), 10))
}

func counts(t *testing.T, h Harness) {
	counter, ok := h.Store.(alert.NotificationCounter)
	require.True(t, ok, "%T does not count its notifications", h.Store)
	ctx := context.Background()
	got, err := counter.NotificationCounts(ctx)
	require.NoError(t, err)
	assert.Empty(t, got)
	for i, state := range []string{alert.Waiting, alert.Waiting, alert.Sent, alert.Failed, alert.Expired} {
		l := sampleNotification(fmt.Sprintf("x/phone/%d", i), "x", moment())
		l.State = state
		require.NoError(t, h.Store.SaveAlarm(ctx, sampleAlarm("x", h.Rise, moment()), []alert.Notification{l}))
	}
	got, err = counter.NotificationCounts(ctx)
	require.NoError(t, err)
	assert.Equal(t, map[string]int{alert.Waiting: 2, alert.Sent: 1, alert.Failed: 1, alert.Expired: 1}, got)
	require.NoError(t, h.Store.WithdrawNotifications(ctx, "x"))
	got, err = counter.NotificationCounts(ctx)
	require.NoError(t, err)
	assert.Equal(t, 2, got[alert.Withdrawn])
	assert.Zero(t, got[alert.Waiting])
}

func survives(t *testing.T, h Harness) {
	if h.Reopen == nil {
		t.Skip("this store keeps nothing, by design")
	}
	ctx := context.Background()
	a, l := sampleAlarm("x", h.Rise, moment()), sampleNotification("x/phone/0", "x", moment())
	require.NoError(t, h.Store.SaveAlarm(ctx, a, []alert.Notification{l}))
	again := h.Reopen()
	got, err := again.OpenAlarms(ctx)
	require.NoError(t, err)
	require.Len(t, got, 1)
	assertAlarm(t, a, got[0])
	assert.Equal(t, []string{l.ID}, due(t, again, moment(), 10))
}
