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
func (d *Desk) Run(ctx context.Context, fail func(error)) {
	ticker := time.NewTicker(tickEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if err := d.Tick(ctx); err != nil && fail != nil && ctx.Err() == nil {
			fail(err)
		}
	}
}

// Tick escalates what nobody has answered, ends snoozes that are over and tries
// again what the store has refused.
func (d *Desk) Tick(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.flush(ctx); err != nil {
		return err
	}
	alarms, err := d.openAlarms(ctx)
	if err != nil {
		return err
	}
	now := d.clock.Now()
	var errs []error
	for _, a := range alarms {
		switch {
		case a.State == Snoozed && !now.Before(a.SnoozedUntil):
			a.State, a.SnoozedAt, a.SnoozedUntil, a.LedBy = Firing, time.Time{}, time.Time{}, ""
			errs = append(errs, d.tellAgain(ctx, a, fmt.Sprintf("/s%d", now.Unix())))
		case d.escalationDue(a, now):
			a.Level++
			a.Priority = min(5, a.Priority+1)
			errs = append(errs, d.tellAgain(ctx, a, ""))
		}
	}
	return errors.Join(errs...)
}

// escalationDue reports whether an alarm is to be told more urgently now.
func (d *Desk) escalationDue(a Alarm, now time.Time) bool {
	t := d.policies[a.Kind]
	if a.State != Firing || t.repeat == 0 || a.Level >= d.policy.MaxLevel || a.LedBy != "" {
		return false
	}
	if d.policy.Quiet.Hold(a.Kind, now).After(now) {
		return false
	}
	last := a.LastSentAt
	if held := d.policy.Quiet.Hold(a.Kind, last); held.After(last) {
		last = held // its letter waited for the end of the quiet hours
	}
	return now.Sub(last) >= d.interval(t, a.Level)
}

// interval is the time between one telling and the next at a level.
func (d *Desk) interval(p policy, level int) time.Duration {
	wait := p.repeat
	for range level {
		wait = time.Duration(float64(wait) * d.policy.Shorten)
	}
	return max(wait, min(p.repeat, d.policy.MinInterval))
}

// tellAgain writes new letters for an alarm.
func (d *Desk) tellAgain(ctx context.Context, a Alarm, suffix string) error {
	a.LastSentAt = d.clock.Now()
	told := a
	if a.Level > 0 {
		told.Text = join(d.words.Say("still", text.Values{"count": a.Level + 1}), a.Text)
	}
	letters, err := d.letters(ctx, told, WasEscalated, suffix, d.policy.ClockSet == nil || d.policy.ClockSet())
	if err != nil {
		return err
	}
	if err := d.store.SaveAlarm(ctx, a, letters); err != nil {
		return fmt.Errorf("alarm %s cannot be stored: %w", a.ID, err)
	}
	d.call(a.Priority >= 5)
	return nil
}

// HandOn is for OutboxOptions.Failed: when a channel refuses a letter for good,
// the alarm goes at once through the routes that would come later.
func (d *Desk) HandOn(ctx context.Context, l Letter) {
	d.mu.Lock()
	defer d.mu.Unlock()
	open, err := d.load(ctx)
	a, known := open[l.AlarmID]
	if err != nil || !known || a.State != Firing || a.Level >= d.policy.MaxLevel || !d.laterRoute(a) {
		return
	}
	a.Level++
	for !d.opensRoute(a) {
		a.Level++
	}
	// An error here is no loss: the alarm stays open and escalates by time.
	_ = d.tellAgain(ctx, a, "")
}

// laterRoute reports whether a route is still unused at the alarm's level.
func (d *Desk) laterRoute(a Alarm) bool {
	for i := range d.routes {
		later := a
		later.Level = d.policy.MaxLevel
		if d.routes[i].FromLevel > a.Level && d.routes[i].takes(later) {
			return true
		}
	}
	return false
}

// opensRoute reports whether a route begins at exactly the alarm's level, or the
// last level is reached.
func (d *Desk) opensRoute(a Alarm) bool {
	for i := range d.routes {
		if d.routes[i].FromLevel == a.Level && d.routes[i].takes(a) {
			return true
		}
	}
	return a.Level >= d.policy.MaxLevel
}
