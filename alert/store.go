package alert

import (
	"cmp"
	"context"
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

// Compare orders notifications by their moment, then by ID.
func (n Notification) Compare(o Notification) int {
	return cmp.Or(n.CreatedAt.Compare(o.CreatedAt), cmp.Compare(n.ID, o.ID))
}

// Store keeps alarms and notifications so that they survive a power cut. Only one
// Manager writes to it. All methods are synchronous: when they return nil, the state is
// on disk.
type Store interface {
	// SaveAlarms writes alarms and notifications over those of the same ID, in one
	// transaction.
	SaveAlarms(ctx context.Context, alarms []Alarm, notifications []Notification) error
	// OpenAlarms returns all alarms that are not resolved, and those resolved of rises
	// still under way, so that they do not fire again.
	OpenAlarms(ctx context.Context) ([]Alarm, error)
	// WaitingNotifications returns the waiting notifications.
	WaitingNotifications(ctx context.Context) ([]Notification, error)
}
