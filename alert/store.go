package alert

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"sync"
	"time"
)

// The states of a notification.
const (
	Waiting   = "waiting"
	Sent      = "sent"
	Failed    = "failed"
	Expired   = "expired"
	Withdrawn = "withdrawn"
)

// Notification is one message on its way through one channel.
type Notification struct {
	ID        string // stable: alarm ID, channel and escalation level
	AlarmID   string
	Channel   string  // channel name from the configuration
	Message   Message `json:"-"` // stored apart
	CreatedAt time.Time
	Attempts  int
	State     string // one of the states above
	Answer    string // what the server said last, without secrets
	SentAt    time.Time
}

// WithOutcome returns the notification as it is stored with what an attempt at it came
// to. Its times stay: the clock may have been set meanwhile. One that was withdrawn
// meanwhile does not wait again.
func (n Notification) WithOutcome(of Notification) Notification {
	if n.State != Withdrawn || of.State != Waiting {
		n.State = of.State
	}
	n.Attempts, n.Answer, n.SentAt = of.Attempts, of.Answer, of.SentAt
	return n
}

// Compare orders notifications by their moment, then by ID.
func (n Notification) Compare(o Notification) int {
	return cmp.Or(n.CreatedAt.Compare(o.CreatedAt), cmp.Compare(n.ID, o.ID))
}

// Store keeps alarms and notifications so that they survive a power cut. All methods
// are synchronous: when they return nil, the state is on disk.
type Store interface {
	// SaveAlarm writes the alarm and its notifications in one transaction. A
	// notification whose ID exists already is replaced unless it was sent.
	SaveAlarm(ctx context.Context, a Alarm, notifications []Notification) error
	// OpenAlarms returns all alarms that are not resolved, oldest first, and
	// those resolved of rises still under way (so that they do not fire again).
	OpenAlarms(ctx context.Context) ([]Alarm, error)
	// WaitingNotifications returns the waiting notifications, oldest first.
	WaitingNotifications(ctx context.Context) ([]Notification, error)
	// SaveNotification writes what an attempt came to, by WithOutcome. One that is
	// not stored is ignored.
	SaveNotification(ctx context.Context, n Notification) error
	// NotificationCounts returns the number of notifications kept, by state. A state
	// without one may be missing.
	NotificationCounts(ctx context.Context) (map[string]int, error)
}

// MemStore is a Store in memory, for tests, replay and the demo. It forgets
// everything when the program ends, and no rise ends in it.
type MemStore struct {
	mu            sync.Mutex
	alarms        map[string]Alarm
	notifications map[string]Notification
}

// NewMemStore returns an empty store.
func NewMemStore() *MemStore {
	return &MemStore{alarms: map[string]Alarm{}, notifications: map[string]Notification{}}
}

// SaveAlarm implements Store.
func (m *MemStore) SaveAlarm(_ context.Context, a Alarm, notifications []Notification) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.alarms[a.ID] = a
	for _, n := range notifications {
		if m.notifications[n.ID].State != Sent {
			m.notifications[n.ID] = n
		}
	}
	return nil
}

// OpenAlarms implements Store.
func (m *MemStore) OpenAlarms(context.Context) ([]Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	open := slices.Collect(maps.Values(m.alarms))
	open = slices.DeleteFunc(open, func(a Alarm) bool { return a.State == Resolved && a.RiseID == 0 })
	slices.SortFunc(open, func(a, b Alarm) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	return open, nil
}

// WaitingNotifications implements Store.
func (m *MemStore) WaitingNotifications(context.Context) ([]Notification, error) {
	return slices.DeleteFunc(m.Notifications(), func(n Notification) bool { return n.State != Waiting }), nil
}

// SaveNotification implements Store.
func (m *MemStore) SaveNotification(_ context.Context, n Notification) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if stored, ok := m.notifications[n.ID]; ok {
		m.notifications[n.ID] = stored.WithOutcome(n)
	}
	return nil
}

// NotificationCounts implements Store.
func (m *MemStore) NotificationCounts(context.Context) (map[string]int, error) {
	out := map[string]int{}
	for _, n := range m.Notifications() {
		out[n.State]++
	}
	return out, nil
}

// Notifications returns all notifications, oldest first.
func (m *MemStore) Notifications() []Notification {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.SortedFunc(maps.Values(m.notifications), Notification.Compare)
}
