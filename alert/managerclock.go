package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// ClockStep takes a set clock into account. move has to move what is stored and the
// clock itself; while it runs nothing is told, sent or escalated, so that no
// notification is looked at by one clock and with the times of the other. Afterwards the
// notifications of the time that moved are held back by the quiet hours of the new time.
// An error of move is returned and what is in memory moves all the same.
func (m *Manager) ClockStep(ctx context.Context, step ClockStep, move func() error) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.out != nil {
		m.out.moving.Lock()
	}
	err := move()
	for i := range m.unsaved {
		m.unsaved[i].Alarm = step.Alarm(m.unsaved[i].Alarm)
	}
	clear(m.fresh) // they name times
	m.stamped = time.Time{}
	if m.out != nil {
		m.out.clockStep(step)
		m.out.moving.Unlock()
	}
	err = errors.Join(err, m.holdAgain(ctx, step))
	m.call(false)
	return err
}

// holdAgain lets quiet hours hold the notifications of the time that moved by the new
// time of day; mu is held.
func (m *Manager) holdAgain(ctx context.Context, step ClockStep) error {
	now := m.clock.Now()
	all, err := m.store.DueNotifications(ctx, now.Add(always), 10*loadMost)
	if err != nil {
		return fmt.Errorf("the waiting notifications cannot be read: %w", err)
	}
	moved := ClockStep{Before: now.Add(time.Second)}
	if !step.From.IsZero() {
		moved.From = step.From.Add(step.By)
	}
	var errs []error
	for _, l := range all {
		var body Message
		if !moved.Covers(l.CreatedAt) || json.Unmarshal(l.Body, &body) != nil || m.out != nil && m.out.flying(l.ID) {
			continue
		}
		until := m.policy.Quiet.Hold(body.Kind, now)
		if until.Equal(l.NotBefore) || !until.After(now) && !l.NotBefore.After(now) {
			continue
		}
		if !l.ExpiresAt.IsZero() {
			l.ExpiresAt = until.Add(m.policies[body.Kind].lasts)
		}
		l.NotBefore = until
		errs = append(errs, m.store.SaveNotification(ctx, l))
	}
	return errors.Join(errs...)
}

// clockStep moves the waiting of the queues and remembers the move for the notifications
// under way; moving is held.
func (o *Outbox) clockStep(step ClockStep) {
	o.mu.Lock()
	defer o.mu.Unlock()
	busy := false
	for _, l := range o.queues {
		busy = busy || l.busy
		if !l.until.IsZero() {
			l.until = l.until.Add(step.By) // a pause is a span, whenever it began
		}
	}
	if !busy {
		o.steps = nil // nobody counts them any more
	}
	o.steps = append(o.steps, step)
	step.Times(&o.beat, &o.oldest)
}

// since returns the moves after the first seen ones.
func (o *Outbox) since(seen int) []ClockStep {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.steps[seen:])
}

// reword puts the newer text of an alarm into its notifications that still wait, so that
// a message that comes late does not tell old figures.
func (m *Manager) reword(ctx context.Context, a Alarm) ([]Notification, error) {
	waiting, err := m.waiting(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	var notifications []Notification
	for i := range m.routes {
		l, ok := waiting[m.routes[i].Name]
		var body Message
		if !ok || json.Unmarshal(l.Body, &body) != nil {
			continue
		}
		body.Title, body.Text = a.Title, a.Text
		if l.Body, err = json.Marshal(body); err != nil {
			return nil, fmt.Errorf("the message cannot be written: %w", err)
		}
		notifications = append(notifications, l)
	}
	return notifications, nil
}
