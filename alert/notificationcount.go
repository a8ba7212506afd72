package alert

import "context"

// NotificationCounter is a Store that knows how many notifications are in which state.
type NotificationCounter interface {
	// NotificationCounts returns the number of notifications kept, by state. A state without
	// a notification may be missing.
	NotificationCounts(ctx context.Context) (map[string]int, error)
}

// NotificationCounts implements NotificationCounter.
func (m *MemStore) NotificationCounts(context.Context) (map[string]int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string]int{}
	for _, l := range m.notifications {
		out[l.State]++
	}
	return out, nil
}
