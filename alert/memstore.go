package alert

import (
	"context"
	"slices"
	"sync"
	"time"
)

// MemStore is a Store in memory, for tests, replay and the demo. It forgets
// everything when the program ends.
type MemStore struct {
	mu            sync.Mutex
	alarms        map[string]Alarm
	notifications map[string]Notification
	ended         map[int64]bool
}

// NewMemStore returns an empty store.
func NewMemStore() *MemStore {
	return &MemStore{alarms: map[string]Alarm{}, notifications: map[string]Notification{}, ended: map[int64]bool{}}
}

// EndRise says that a rise is over: its resolved alarms are no longer open.
func (m *MemStore) EndRise(id int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.ended[id] = true
}

// SaveAlarm implements Store.
func (m *MemStore) SaveAlarm(_ context.Context, a Alarm, notifications []Notification) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.alarms[a.ID] = a
	for _, l := range notifications {
		if m.notifications[l.ID].State != Sent {
			m.notifications[l.ID] = cloneNotification(l)
		}
	}
	return nil
}

// OpenAlarms implements Store.
func (m *MemStore) OpenAlarms(context.Context) ([]Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var open []Alarm
	for _, a := range m.alarms {
		if a.State != Resolved || (a.RiseID != 0 && !m.ended[a.RiseID]) {
			open = append(open, a)
		}
	}
	slices.SortFunc(open, func(a, b Alarm) int {
		if c := a.Since.Compare(b.Since); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return open, nil
}

// DueNotifications implements Store.
func (m *MemStore) DueNotifications(_ context.Context, now time.Time, limit int) ([]Notification, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var due []Notification
	for _, l := range m.notifications {
		if l.State == Waiting && !l.NotBefore.After(now) {
			due = append(due, cloneNotification(l))
		}
	}
	slices.SortFunc(due, func(a, b Notification) int {
		if c := a.CreatedAt.Compare(b.CreatedAt); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return due[:min(limit, len(due))], nil
}

// SaveNotification implements Store.
func (m *MemStore) SaveNotification(_ context.Context, l Notification) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if l.State == Waiting && m.notifications[l.ID].State == Withdrawn {
		l.State = Withdrawn
	}
	m.notifications[l.ID] = cloneNotification(l)
	return nil
}

// WithdrawNotifications implements Store.
func (m *MemStore) WithdrawNotifications(_ context.Context, alarmID string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for id, l := range m.notifications {
		if l.AlarmID == alarmID && l.State == Waiting {
			l.State = Withdrawn
			m.notifications[id] = l
		}
	}
	return nil
}

// Notifications returns all notifications, oldest first, for a look at what happened.
func (m *MemStore) Notifications() []Notification {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []Notification
	for _, l := range m.notifications {
		all = append(all, cloneNotification(l))
	}
	slices.SortFunc(all, func(a, b Notification) int {
		if c := a.CreatedAt.Compare(b.CreatedAt); c != 0 {
			return c
		}
		return compareStrings(a.ID, b.ID)
	})
	return all
}

// cloneNotification copies a notification with its body.
func cloneNotification(l Notification) Notification {
	l.Body = slices.Clone(l.Body)
	return l
}

// compareStrings orders two strings.
func compareStrings(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
