package alert

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// find returns an alarm that can be answered.
func (d *Desk) find(ctx context.Context, id string) (map[string]Alarm, Alarm, error) {
	open, err := d.load(ctx)
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
func (d *Desk) Ack(ctx context.Context, id, by string) (Alarm, error) {
	return d.answer(ctx, id, func(a *Alarm, now time.Time) {
		if a.State != Acknowledged {
			a.State, a.AckedAt, a.AckedBy = Acknowledged, now, by
			a.SnoozedAt, a.SnoozedUntil = time.Time{}, time.Time{}
		}
	})
}

// Snooze keeps an alarm quiet for a while; zero takes the policy's span.
func (d *Desk) Snooze(ctx context.Context, id, by string, span time.Duration) (Alarm, error) {
	if span <= 0 {
		span = d.policy.SnoozeFor
	}
	return d.answer(ctx, id, func(a *Alarm, now time.Time) {
		a.State, a.AckedBy, a.SnoozedAt, a.SnoozedUntil = Snoozed, by, now, now.Add(span)
	})
}

// answer changes an alarm and those told with it. Letters are taken back first:
// a crash in between leaves an alarm that will be told again, never a letter
// that goes out after the answer was confirmed.
func (d *Desk) answer(ctx context.Context, id string, change func(*Alarm, time.Time)) (Alarm, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	open, first, err := d.find(ctx, id)
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
	now := d.clock.Now()
	for i := range group {
		if err := d.withdraw(ctx, group[i].ID); err != nil {
			return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
		}
		change(&group[i], now)
		if err := d.store.SaveAlarm(ctx, group[i], nil); err != nil {
			return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
		}
	}
	return group[0], nil
}
