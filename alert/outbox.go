package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"tidemark/alert/text"
)

// Waiting times of the Outbox, in real time unless said, and its limits.
const (
	backoffFirst   = 5 * time.Second // by the clock of the Outbox
	backoffMost    = 5 * time.Minute
	retryAfterMost = time.Hour
	pollEvery      = 5 * time.Second
	attemptMost    = 30 * time.Second
	saveTries      = 3
	plainAfter     = 3      // attempts after which the picture is left out
	maxPicture     = 60_000 // bytes
)

// OutboxOptions are what an Outbox may be given beside store and routes.
type OutboxOptions struct {
	Household text.Locale
	Clock     Clock                 // nil: the wall clock
	Log       *slog.Logger          // nil: nothing is logged
	Links     func(id string) Links // addresses to offer for an alarm; nil for none
	// Picture returns the curve of a vessel as PNG; nil, an error or more than
	// 60 kB means none.
	Picture func(ctx context.Context, vessel string, riseID int64) ([]byte, error)
}

// Outbox delivers the notifications of a Store through routes. Every route has its
// own queue: one that hangs does not hold up the others. Within a queue notifications
// go out oldest first, and one that cannot be delivered now holds back the younger
// ones, so that order is kept.
type Outbox struct {
	store  Store
	routes map[string]Route
	opts   OutboxOptions
	words  *text.Localizer
	wake   chan struct{}

	// Set by NewManager: the quiet hours, and who is told of what was refused for good.
	quiet   Quiet
	refused func(context.Context, Notification)

	mu     sync.Mutex // held for a whole round, so that a round sees every attempt that has ended
	queues map[string]*queue
	beat   time.Time // of the last full round
	work   sync.WaitGroup
}

// queue is the state of one route.
type queue struct {
	busy  bool
	fails int
	until time.Time // not before this
}

// NewOutbox returns an Outbox; Run makes it work.
func NewOutbox(store Store, routes []Route, opts OutboxOptions) *Outbox {
	if opts.Clock == nil {
		opts.Clock = WallClock{}
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	o := &Outbox{store: store, routes: map[string]Route{}, opts: opts, words: text.New(opts.Household),
		wake: make(chan struct{}, 1), queues: map[string]*queue{}}
	for _, r := range routes {
		if r.Channel != nil {
			o.routes[r.Name] = r
		}
	}
	return o
}

// Wake makes Run look for notifications at once. An urgent call also ends the waiting
// of every queue.
func (o *Outbox) Wake(urgent bool) {
	if urgent {
		o.mu.Lock()
		for _, q := range o.queues {
			q.until = time.Time{}
		}
		o.mu.Unlock()
	}
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// Run delivers until ctx ends and returns when every attempt has ended.
func (o *Outbox) Run(ctx context.Context) {
	defer o.work.Wait()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
		case <-timer.C:
		}
		o.Round(ctx)
		timer.Reset(o.pause())
	}
}

// Round looks at the notifications once and begins an attempt in every queue that is
// free and has one. Run does it again and again; a watch whose clock does not run as
// the machine's does calls it itself.
func (o *Outbox) Round(ctx context.Context) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := o.opts.Clock.Now()
	waiting, err := o.store.WaitingNotifications(ctx)
	if err != nil {
		if ctx.Err() == nil {
			o.opts.Log.Error("notifications cannot be read from the store", "error", err)
		}
		return
	}
	o.beat = now
	seen := map[string]bool{}
	for _, n := range waiting {
		m, err := messageIn(n)
		if seen[n.Channel] || err == nil && o.quiet.Hold(m.Kind, now).After(now) {
			continue
		}
		seen[n.Channel] = true
		q := o.queues[n.Channel]
		if q == nil {
			q = &queue{}
			o.queues[n.Channel] = q
		}
		if q.busy || now.Before(q.until) || ctx.Err() != nil {
			continue
		}
		q.busy = true
		o.work.Go(func() { o.attempt(ctx, q, n, now) })
	}
}

// messageIn reads the message of a notification.
func messageIn(n Notification) (m Message, err error) {
	if err = json.Unmarshal(n.Body, &m); err != nil {
		err = finalf("the stored notification cannot be read: %v", err)
	}
	return m, err
}

// attempt delivers one notification and stores what came of it.
func (o *Outbox) attempt(ctx context.Context, q *queue, n Notification, now time.Time) {
	route, known := o.routes[n.Channel]
	m, err := messageIn(n)
	var answer string
	switch {
	case err != nil:
	case o.quiet.expired(m, now):
		n.State, answer = Expired, "too old to be of use"
		if n.Answer != "" {
			answer += "; the last answer was: " + n.Answer
		}
	case !known:
		err = finalf("channel %q is not in the configuration any more", n.Channel)
	default:
		answer, err = o.post(ctx, route, o.dressed(ctx, route, n, m, now))
		if err != nil && ctx.Err() != nil {
			o.release(q, false, 0)
			return // stopped in the middle: try again after the next start
		}
		n.Attempts++
		if err == nil {
			n.State = Sent
		}
	}
	pause, trouble := o.outcome(&n, answer, err)
	if err := o.save(ctx, n); err != nil {
		o.opts.Log.Error("the outcome of a delivery cannot be stored; it may be sent again", "notification", n.ID, "error", err)
		trouble = true
	}
	o.release(q, trouble, pause)
	o.report(ctx, n)
}

// outcome writes the answer into the notification and says how long the other side
// asked to wait and whether the queue is in trouble.
func (o *Outbox) outcome(n *Notification, answer string, err error) (wait time.Duration, trouble bool) {
	var refusal *Failure
	switch {
	case err == nil:
		n.Answer = answer
		return 0, false
	case errors.As(err, &refusal) && refusal.Final:
		n.State, n.Answer = Failed, refusal.Answer
		return 0, false
	case refusal != nil:
		n.Answer = refusal.Answer
		return min(refusal.RetryAfter, retryAfterMost), true
	}
	n.Answer = err.Error()
	return 0, true
}

// save stores the outcome, trying a few times: what was sent must be written down,
// even while stopping.
func (o *Outbox) save(ctx context.Context, n Notification) (err error) {
	if n.State == Sent {
		n.SentAt = o.opts.Clock.Now()
	}
	for range saveTries {
		if err = o.store.SaveNotification(context.WithoutCancel(ctx), n); err == nil {
			return nil
		}
	}
	return err
}

// release frees the queue and sets its back-off: doubled each time up to a limit, with
// a jitter of a quarter either way.
func (o *Outbox) release(q *queue, failed bool, wait time.Duration) {
	o.mu.Lock()
	q.busy = false
	if failed {
		backoff := min(backoffMost, backoffFirst<<min(q.fails, 8))
		backoff = time.Duration(float64(backoff) * (0.75 + 0.5*rand.Float64()))
		q.fails, q.until = q.fails+1, o.opts.Clock.Now().Add(max(wait, backoff))
	} else {
		q.fails, q.until = 0, time.Time{}
	}
	o.mu.Unlock()
	o.Wake(false)
}

// pause returns how long Run sleeps when nobody wakes it.
func (o *Outbox) pause() time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	wait, now := pollEvery, o.opts.Clock.Now()
	for _, q := range o.queues {
		if left := q.until.Sub(now); !q.busy && left > 0 {
			wait = min(wait, left)
		}
	}
	return max(wait, 10*time.Millisecond)
}

// report logs an outcome and hands on what was refused for good.
func (o *Outbox) report(ctx context.Context, n Notification) {
	log := o.opts.Log.With("notification", n.ID, "attempts", n.Attempts, "answer", n.Answer)
	switch n.State {
	case Sent:
		log.Info("notification delivered")
	case Waiting:
		log.Warn("notification not delivered yet")
	default:
		log.Error("notification given up", "state", n.State)
	}
	if n.State == Failed && o.refused != nil && ctx.Err() == nil {
		o.refused(ctx, n)
	}
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

// dressed returns a message with what is only known when sending: links, picture,
// late stamp.
func (o *Outbox) dressed(ctx context.Context, route Route, n Notification, m Message, now time.Time) Message {
	o.link(&m)
	if o.opts.Picture != nil && route.Pictures && m.RiseID != 0 && policies()[m.Kind].curve && n.Attempts < plainAfter {
		if png, err := o.opts.Picture(ctx, m.Vessel, m.RiseID); err == nil && len(png) <= maxPicture {
			m.Picture, m.PictureText = png, o.words.Say("picture", text.Values{"vessel": m.Vessel})
		}
	}
	if late := o.quiet.late(m, now); late > 0 {
		m.Text = join(o.words.Say("late", text.Values{"span": late}), m.Text)
	}
	if !m.Due.IsZero() {
		m.Due = o.quiet.Hold(m.Kind, m.Due)
	}
	return m
}

// link offers the addresses of an alarm, if there are any.
func (o *Outbox) link(m *Message) {
	if o.opts.Links != nil {
		m.Links = o.opts.Links(m.AlarmID)
		if m.Links.SnoozeFor <= 0 {
			m.Links.SnoozeFor = snoozeDefault
		}
		m.Links.AckLabel = o.words.Say("button.ack", nil)
		m.Links.SnoozeLabel = o.words.Say("button.snooze", text.Values{"span": m.Links.SnoozeFor})
		m.Links.PageLabel = o.words.Say("button.page", nil)
	}
}

// Test sends a real message through one route, past the store, and returns what
// the other side said.
func (o *Outbox) Test(ctx context.Context, name string) (string, error) {
	route, known := o.routes[name]
	if !known {
		return "", fmt.Errorf("there is no channel %q; it must be listed under channels in the configuration", name)
	}
	now := o.opts.Clock.Now()
	m := Message{
		ID: SafeID("test", name, fmt.Sprint(now.Unix())), AlarmID: TestID(name), What: WasRaised, Kind: TestKind,
		Title: o.words.Say("test.title", nil), Priority: 3, Since: now, Due: now,
		Text: o.words.Say("test.text", text.Values{"channel": name, "at": now}),
	}
	o.link(&m)
	return o.post(ctx, route, m)
}

// TestID is what a test message to a channel names as its alarm.
func TestID(channel string) string { return SafeID("test", channel) }

// Beat returns when the Outbox last looked at its notifications, by its clock; zero
// before the first look.
func (o *Outbox) Beat() time.Time {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.beat
}

// UnderWay returns how many deliveries have begun and not ended.
func (o *Outbox) UnderWay() int {
	n := 0
	o.each(func(_ string, q *queue) {
		if q.busy {
			n++
		}
	})
	return n
}

// Failing lists the routes whose last delivery failed.
func (o *Outbox) Failing() (names []string) {
	o.each(func(name string, q *queue) {
		if q.fails > 0 {
			names = append(names, name)
		}
	})
	return names
}

// each calls f with every queue.
func (o *Outbox) each(f func(name string, q *queue)) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for name, q := range o.queues {
		f(name, q)
	}
}

// clockStep runs move while no round is under way. What a queue waits for is a span,
// whenever it began.
func (o *Outbox) clockStep(step ClockStep, move func() error) error {
	o.mu.Lock()
	err := move()
	for _, q := range o.queues {
		if !q.until.IsZero() {
			q.until = q.until.Add(step.By)
		}
	}
	step.Times(&o.beat)
	o.mu.Unlock()
	o.Wake(false)
	return err
}

// Close closes every channel.
func (o *Outbox) Close() error {
	var errs []error
	for _, r := range o.routes {
		errs = append(errs, r.Channel.Close())
	}
	return errors.Join(errs...)
}
