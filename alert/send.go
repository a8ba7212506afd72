package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"tidemark/alert/text"
)

// deliver makes one attempt.
func (o *Outbox) deliver(ctx context.Context, route Route, l Notification) (string, error) {
	var m Message
	if err := json.Unmarshal(l.Body, &m); err != nil {
		return "", finalf("the stored notification cannot be read: %v", err)
	}
	o.dress(ctx, route, l, &m)
	return o.post(ctx, route, m)
}

// post hands a message to a channel within the time limit.
func (o *Outbox) post(ctx context.Context, route Route, m Message) (answer string, err error) {
	limit := route.Timeout
	if limit <= 0 {
		limit = attemptMost
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	defer func() {
		if r := recover(); r != nil {
			err = finalf("the channel failed inside: %v", r)
		}
	}()
	answer, err = route.Channel.Deliver(ctx, m)
	if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return "", fmt.Errorf("no answer within %s", limit)
	}
	return answer, err
}

// dress adds what is only known when sending: links, picture, late stamp.
func (o *Outbox) dress(ctx context.Context, route Route, l Notification, m *Message) {
	if o.opts.Links != nil {
		m.Links = o.opts.Links(m.AlarmID)
		o.labels(&m.Links)
	}
	if o.opts.Picture != nil && route.Pictures && m.RiseID != 0 && policies()[m.Kind].curve && l.Attempts < plainAfter {
		if png, err := o.opts.Picture(ctx, m.Vessel, m.RiseID); err == nil && len(png) <= maxPicture {
			m.Picture, m.PictureText = png, o.words.Say("picture", text.Values{"vessel": m.Vessel})
		}
	}
	if late := o.opts.Clock.Now().Sub(m.Due); !m.Due.IsZero() && late > lateAfter {
		m.Text = join(o.words.Say("late", text.Values{"span": late}), m.Text)
	}
}

// maxPicture is the size limit of an attached picture, bytes.
const maxPicture = 60_000

// labels fills in what the buttons say.
func (o *Outbox) labels(l *Links) {
	if l.SnoozeFor <= 0 {
		l.SnoozeFor = 30 * time.Minute
	}
	l.AckLabel = o.words.Say("button.ack", nil)
	l.SnoozeLabel = o.words.Say("button.snooze", text.Values{"span": l.SnoozeFor})
	l.PageLabel = o.words.Say("button.page", nil)
}

// Test sends a real message through one route, past the store, and returns what
// the other side said.
func (o *Outbox) Test(ctx context.Context, name string) (string, error) {
	route, known := o.routes[name]
	if !known || route.Channel == nil {
		return "", fmt.Errorf("there is no channel %q; it must be listed under channels in the configuration", name)
	}
	now := o.opts.Clock.Now()
	m := Message{
		ID: SafeID("test", name, fmt.Sprint(now.Unix())), AlarmID: SafeID("test", name), What: WasRaised, Kind: TestKind,
		Title: o.words.Say("test.title", nil), Priority: 3, Since: now, Due: now,
		Text: o.words.Say("test.text", text.Values{"channel": name, "at": now}),
	}
	return o.post(ctx, route, m)
}
