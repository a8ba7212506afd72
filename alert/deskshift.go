package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Shift takes a set clock into account. move has to move what is stored and the
// clock itself; while it runs nothing is told, sent or escalated, so that no
// letter is looked at by one clock and with the times of the other. Afterwards the
// letters of the time that moved are held back by the quiet hours of the new time.
// An error of move is returned and what is in memory moves all the same.
func (d *Desk) Shift(ctx context.Context, m Move, move func() error) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.out != nil {
		d.out.moving.Lock()
	}
	err := move()
	for i := range d.unsaved {
		d.unsaved[i].Alarm = m.Alarm(d.unsaved[i].Alarm)
	}
	clear(d.fresh) // they name times
	d.stamped = time.Time{}
	if d.out != nil {
		d.out.shift(m)
		d.out.moving.Unlock()
	}
	err = errors.Join(err, d.holdAnew(ctx, m))
	d.call(false)
	return err
}

// holdAnew lets quiet hours hold the letters of the time that moved by the new
// time of day; mu is held.
func (d *Desk) holdAnew(ctx context.Context, m Move) error {
	now := d.clock.Now()
	all, err := d.store.DueLetters(ctx, now.Add(always), 10*loadMost)
	if err != nil {
		return fmt.Errorf("the waiting letters cannot be read: %w", err)
	}
	moved := Move{Before: now.Add(time.Second)}
	if !m.From.IsZero() {
		moved.From = m.From.Add(m.By)
	}
	var errs []error
	for _, l := range all {
		var body Message
		if !moved.Covers(l.CreatedAt) || json.Unmarshal(l.Body, &body) != nil || d.out != nil && d.out.flying(l.ID) {
			continue
		}
		until := d.policy.Quiet.Hold(body.Kind, now)
		if until.Equal(l.NotBefore) || !until.After(now) && !l.NotBefore.After(now) {
			continue
		}
		if !l.ExpiresAt.IsZero() {
			l.ExpiresAt = until.Add(d.policies[body.Kind].lasts)
		}
		l.NotBefore = until
		errs = append(errs, d.store.SaveLetter(ctx, l))
	}
	return errors.Join(errs...)
}

// shift moves the waiting of the lanes and remembers the move for the letters
// under way; moving is held.
func (o *Outbox) shift(m Move) {
	o.mu.Lock()
	defer o.mu.Unlock()
	busy := false
	for _, l := range o.lanes {
		busy = busy || l.busy
		if !l.until.IsZero() {
			l.until = l.until.Add(m.By) // a pause is a span, whenever it began
		}
	}
	if !busy {
		o.moves = nil // nobody counts them any more
	}
	o.moves = append(o.moves, m)
	m.Times(&o.beat, &o.oldest)
}

// since returns the moves after the first seen ones.
func (o *Outbox) since(seen int) []Move {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.moves[seen:])
}

// reword puts the newer text of an alarm into its letters that still wait, so that
// a message that comes late does not tell old figures.
func (d *Desk) reword(ctx context.Context, a Alarm) ([]Letter, error) {
	waiting, err := d.waiting(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	var letters []Letter
	for i := range d.routes {
		l, ok := waiting[d.routes[i].Name]
		var m Message
		if !ok || json.Unmarshal(l.Body, &m) != nil {
			continue
		}
		m.Title, m.Text = a.Title, a.Text
		if l.Body, err = json.Marshal(m); err != nil {
			return nil, fmt.Errorf("the message cannot be written: %w", err)
		}
		letters = append(letters, l)
	}
	return letters, nil
}
