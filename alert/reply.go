package alert

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// find returns an alarm that can be answered.
func (m *Manager) find(ctx context.Context, id string) (map[string]Alarm, Alarm, error) {
	open, err := m.load(ctx)
	if err != nil {
		return nil, Alarm{}, err
	}
	a, ok := open[id]
	if !ok || a.State == Resolved {
		return nil, Alarm{}, fmt.Errorf("%w: %q", ErrUnknownAlarm, id)
	}
	return open, a, nil
}

// Ack says that somebody has understood an alarm: nothing more is sent about it
// or about those told with it. by says who, such as "page" or "push".
func (m *Manager) Ack(ctx context.Context, id, by string) (Alarm, error) {
	return m.answer(ctx, id, func(a *Alarm, now time.Time) {
		if a.State != Acknowledged {
			a.State, a.AckedAt, a.AckedBy = Acknowledged, now, by
			a.SnoozedAt, a.SnoozedUntil = time.Time{}, time.Time{}
		}
	})
}

// Snooze keeps an alarm quiet for a while; zero takes the policy's span.
func (m *Manager) Snooze(ctx context.Context, id, by string, span time.Duration) (Alarm, error) {
	if span <= 0 {
		span = m.policy.SnoozeFor
	}
	return m.answer(ctx, id, func(a *Alarm, now time.Time) {
		a.State, a.AckedBy, a.SnoozedAt, a.SnoozedUntil = Snoozed, by, now, now.Add(span)
	})
}

// answer changes an alarm and those told with it. Notifications are taken back first:
// a crash in between leaves an alarm that will be told again, never a notification
// that goes out after the answer was confirmed.
func (m *Manager) answer(ctx context.Context, id string, change func(*Alarm, time.Time)) (Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	open, first, err := m.find(ctx, id)
	if err != nil {
		return Alarm{}, err
	}
	group := []Alarm{first}
	for _, a := range open {
		if a.LedBy == id && a.State != Resolved {
			group = append(group, a)
		}
	}
	slices.SortFunc(group[1:], func(a, b Alarm) int { return compareStrings(a.ID, b.ID) })
	now := m.clock.Now()
	for i := range group {
		if err := m.withdraw(ctx, group[i].ID); err != nil {
			return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
		}
		change(&group[i], now)
		if err := m.store.SaveAlarm(ctx, group[i], nil); err != nil {
			return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
		}
	}
	return group[0], nil
}
