package alert

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidemark/alert/text"
)

// tickEvery is how often Run looks for what nobody has answered, real time.
const tickEvery = 10 * time.Second

// Run looks for unanswered alarms until ctx ends. fail is told of errors of the
// store; it may be nil.
func (m *Manager) Run(ctx context.Context, fail func(error)) {
	ticker := time.NewTicker(tickEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if err := m.Tick(ctx); err != nil && fail != nil && ctx.Err() == nil {
			fail(err)
		}
	}
}

// Tick escalates what nobody has answered, ends snoozes that are over and tries
// again what the store has refused.
func (m *Manager) Tick(ctx context.Context) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.flush(ctx); err != nil {
		return err
	}
	alarms, err := m.openAlarms(ctx)
	if err != nil {
		return err
	}
	now := m.clock.Now()
	var errs []error
	for _, a := range alarms {
		switch {
		case a.State == Snoozed && !now.Before(a.SnoozedUntil):
			a.State, a.SnoozedAt, a.SnoozedUntil, a.LedBy = Firing, time.Time{}, time.Time{}, ""
			errs = append(errs, m.tellAgain(ctx, a, fmt.Sprintf("/s%d", now.Unix())))
		case m.escalationDue(a, now):
			a.Level++
			a.Priority = min(5, a.Priority+1)
			errs = append(errs, m.tellAgain(ctx, a, ""))
		}
	}
	return errors.Join(errs...)
}

// escalationDue reports whether an alarm is to be told more urgently now.
func (m *Manager) escalationDue(a Alarm, now time.Time) bool {
	t := m.policies[a.Kind]
	if a.State != Firing || t.repeat == 0 || a.Level >= m.policy.MaxLevel || a.LedBy != "" {
		return false
	}
	if m.policy.Quiet.Hold(a.Kind, now).After(now) {
		return false
	}
	last := a.LastSentAt
	if held := m.policy.Quiet.Hold(a.Kind, last); held.After(last) {
		last = held // its notification waited for the end of the quiet hours
	}
	return now.Sub(last) >= m.interval(t, a.Level)
}

// interval is the time between one telling and the next at a level.
func (m *Manager) interval(p policy, level int) time.Duration {
	wait := p.repeat
	for range level {
		wait = time.Duration(float64(wait) * m.policy.Shorten)
	}
	return max(wait, min(p.repeat, m.policy.MinInterval))
}

// tellAgain writes new notifications for an alarm.
func (m *Manager) tellAgain(ctx context.Context, a Alarm, suffix string) error {
	a.LastSentAt = m.clock.Now()
	told := a
	if a.Level > 0 {
		told.Text = join(m.words.Say("still", text.Values{"count": a.Level + 1}), a.Text)
	}
	notifications, err := m.notifications(ctx, told, WasEscalated, suffix, m.policy.ClockSet == nil || m.policy.ClockSet())
	if err != nil {
		return err
	}
	if err := m.store.SaveAlarm(ctx, a, notifications); err != nil {
		return fmt.Errorf("alarm %s cannot be stored: %w", a.ID, err)
	}
	m.call(a.Priority >= 5)
	return nil
}

// HandOn is for OutboxOptions.Failed: when a channel refuses a notification for good,
// the alarm goes at once through the routes that would come later.
func (m *Manager) HandOn(ctx context.Context, l Notification) {
	m.mu.Lock()
	defer m.mu.Unlock()
	open, err := m.load(ctx)
	a, known := open[l.AlarmID]
	if err != nil || !known || a.State != Firing || a.Level >= m.policy.MaxLevel || !m.laterRoute(a) {
		return
	}
	a.Level++
	for !m.opensRoute(a) {
		a.Level++
	}
	// An error here is no loss: the alarm stays open and escalates by time.
	_ = m.tellAgain(ctx, a, "")
}

// laterRoute reports whether a route is still unused at the alarm's level.
func (m *Manager) laterRoute(a Alarm) bool {
	for i := range m.routes {
		later := a
		later.Level = m.policy.MaxLevel
		if m.routes[i].FromLevel > a.Level && m.routes[i].takes(later) {
			return true
		}
	}
	return false
}

// opensRoute reports whether a route begins at exactly the alarm's level, or the
// last level is reached.
func (m *Manager) opensRoute(a Alarm) bool {
	for i := range m.routes {
		if m.routes[i].FromLevel == a.Level && m.routes[i].takes(a) {
			return true
		}
	}
	return a.Level >= m.policy.MaxLevel
}
