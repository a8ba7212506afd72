package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"time"

	"tidemark/alert/text"
)

// Waiting times of the delivery, in real time unless said, and its limits.
const (
	backoffFirst   = 5 * time.Second // by the clock of the Manager
	backoffMost    = 5 * time.Minute
	retryAfterMost = time.Hour
	roundEvery     = 5 * time.Second
	attemptMost    = 30 * time.Second
	plainAfter     = 3      // attempts after which the picture is left out
	maxPicture     = 60_000 // bytes
)

// queue is the state of one route. Every route has its own: one that hangs does not
// hold up the others. Within a queue notifications go out oldest first, and one that
// cannot be delivered now holds back the younger ones, so that order is kept.
type queue struct {
	busy  bool
	fails int
	until time.Time // not before this
}

// hurry makes Run go round at once.
func (m *Manager) hurry() {
	select {
	case m.wake <- struct{}{}:
	default:
	}
}

// Run goes round until ctx ends and returns when every attempt has ended.
func (m *Manager) Run(ctx context.Context) {
	defer m.work.Wait()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-m.wake:
		case <-timer.C:
		}
		if err := m.Round(ctx); err != nil && ctx.Err() == nil {
			m.opts.Log.Warn("alarms and their messages cannot be read or stored", "error", err)
		}
		timer.Reset(m.pause())
	}
}

// Round tries again what the store has refused, tells again what nobody has answered,
// and begins an attempt in every queue that is free and has a notification. Run does
// it again and again; a watch whose clock does not run as the machine's does calls it
// itself.
func (m *Manager) Round(ctx context.Context) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := m.flush(ctx)
	if m.alarms == nil {
		return err
	}
	m.beat = m.opts.Now()
	m.escalate()
	err = cmp.Or(m.save(ctx), err)
	m.deliver(ctx)
	return err
}

// deliver begins the attempts that are due. Nothing is sent that is not stored.
func (m *Manager) deliver(ctx context.Context) {
	now, seen := m.opts.Now(), map[string]bool{}
	for _, n := range slices.SortedFunc(maps.Values(m.waiting), Notification.Compare) {
		if _, unsaved := m.unsavedNotifications[n.ID]; unsaved || seen[n.Channel] || m.opts.Quiet.hold(n.Message.Kind, now).After(now) {
			continue
		}
		seen[n.Channel] = true
		q := m.queues[n.Channel]
		if q == nil {
			q = &queue{}
			m.queues[n.Channel] = q
		}
		if q.busy || now.Before(q.until) || ctx.Err() != nil {
			continue
		}
		q.busy = true
		m.work.Go(func() { m.attempt(ctx, q, n, now) })
	}
}

// attempt delivers one notification and stores what came of it. What was sent is
// written down even while stopping.
func (m *Manager) attempt(ctx context.Context, q *queue, n Notification, now time.Time) {
	route, known := m.route(n.Channel)
	var answer string
	var err error
	switch {
	case m.opts.Quiet.expired(n.Message, now):
		n.State, answer = Expired, "too old to be of use"
		if n.Answer != "" {
			answer += "; the last answer was: " + n.Answer
		}
	case !known:
		err = finalf("channel %q is not in the configuration any more", n.Channel)
	case n.Message.ID == "":
		err = finalf("the stored notification cannot be read")
	default:
		answer, err = m.post(ctx, route, m.dressed(ctx, route, n, now))
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	defer m.hurry()
	q.busy = false
	if err != nil && ctx.Err() != nil {
		return // stopped in the middle: try again after the next start
	}
	if known && n.State == Waiting {
		n.Attempts++
	}
	wait := m.outcome(&n, answer, err)
	q.backOff(m.opts.Now(), n.State == Waiting, wait)
	m.report(n)
	as, waits := m.waiting[n.ID]
	if waits { // its clock or words may have been set meanwhile
		n.CreatedAt, n.Message = as.CreatedAt, as.Message
	}
	if waits || n.State == Sent { // else it was withdrawn meanwhile
		m.putNotification(n)
	}
	if n.State == Failed && ctx.Err() == nil {
		m.handOn(n)
	}
	if err := m.save(context.WithoutCancel(ctx)); err != nil {
		m.opts.Log.Error("the outcome of a delivery cannot be stored; it may be sent again", "notification", n.ID, "error", err)
	}
}

// route returns the route of a name that something can be delivered through.
func (m *Manager) route(name string) (Route, bool) {
	for _, r := range m.routes {
		if r.Name == name && r.Deliver != nil {
			return r, true
		}
	}
	return Route{}, false
}

// outcome writes an answer into a notification and returns how long the other side
// asked to wait.
func (m *Manager) outcome(n *Notification, answer string, err error) (wait time.Duration) {
	var refusal *Failure
	switch {
	case errors.As(err, &refusal):
		n.Answer, wait = refusal.Answer, min(refusal.RetryAfter, retryAfterMost)
		if refusal.Final {
			n.State = Failed
		}
	case err != nil:
		n.Answer = err.Error()
	default:
		n.Answer = answer
		if n.State == Waiting {
			n.State, n.SentAt = Sent, m.opts.Now()
		}
	}
	return wait
}

// backOff sets the pause of a queue: after trouble doubled each time up to a limit,
// with a jitter of a quarter either way, and at least what the other side asked for.
func (q *queue) backOff(now time.Time, trouble bool, wait time.Duration) {
	if !trouble {
		q.fails, q.until = 0, time.Time{}
		return
	}
	backoff := float64(min(backoffMost, backoffFirst<<min(q.fails, 8))) * (0.75 + 0.5*rand.Float64())
	q.fails, q.until = q.fails+1, now.Add(max(wait, time.Duration(backoff)))
}

// pause returns how long Run sleeps when nobody wakes it.
func (m *Manager) pause() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	wait, now := roundEvery, m.opts.Now()
	for _, q := range m.queues {
		if left := q.until.Sub(now); !q.busy && left > 0 {
			wait = min(wait, left)
		}
	}
	return max(wait, 10*time.Millisecond)
}

// report logs an outcome.
func (m *Manager) report(n Notification) {
	log := m.opts.Log.With("notification", n.ID, "attempts", n.Attempts, "answer", n.Answer)
	switch n.State {
	case Sent:
		log.Info("notification delivered")
	case Waiting:
		log.Warn("notification not delivered yet")
	default:
		log.Error("notification given up", "state", n.State)
	}
}

// post hands a message to a channel within the time limit.
func (m *Manager) post(ctx context.Context, route Route, msg Message) (answer string, err error) {
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
	answer, err = route.Deliver(ctx, msg)
	if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return "", fmt.Errorf("no answer within %s", limit)
	}
	return answer, err
}

// dressed returns the message of a notification with what is only known when sending:
// links, picture, late stamp.
func (m *Manager) dressed(ctx context.Context, route Route, n Notification, now time.Time) Message {
	msg := n.Message
	msg.Links = m.links(msg)
	if m.opts.Picture != nil && route.Pictures && msg.RiseID != 0 && policyOf(msg.Kind).curve && n.Attempts < plainAfter {
		if png, err := m.opts.Picture(ctx, msg.Vessel, msg.RiseID); err == nil && len(png) <= maxPicture {
			msg.Picture, msg.PictureText = png, m.words.Say("picture", text.Values{"vessel": msg.Vessel})
		}
	}
	if late := m.opts.Quiet.late(msg, now); late > 0 {
		msg.Text = join(m.words.Say("late", text.Values{"span": late}), msg.Text)
	}
	if !msg.Due.IsZero() {
		msg.Due = m.opts.Quiet.hold(msg.Kind, msg.Due)
	}
	return msg
}

// links offers the addresses of an alarm, if there are any: the page, and while the
// alarm lasts its answers, first what the page has a button for.
func (m *Manager) links(msg Message) (l Links) {
	if m.opts.Address == nil {
		return l
	}
	if l.Page = m.opts.Address("", ""); l.Page == "" || msg.What == WasResolved {
		return l
	}
	l.PageLabel = m.words.Say("button.page", nil)
	button := func(verb, key string) {
		l.Buttons = append(l.Buttons, Button{verb, m.words.Say(key, text.Values{"span": snoozeDefault}), m.opts.Address(verb, msg.AlarmID)})
	}
	if msg.Tap != "" {
		button(string(msg.Tap), "page.did."+string(msg.Tap))
	}
	button(AnswerAck, "button.ack")
	button(AnswerSnooze, "button.snooze")
	return l
}

// Test sends a real message through one route, past the store, and returns what
// the other side said.
func (m *Manager) Test(ctx context.Context, name string) (string, error) {
	route, known := m.route(name)
	if !known {
		return "", fmt.Errorf("there is no channel %q; it must be listed under channels in the configuration", name)
	}
	now := m.opts.Now()
	msg := Message{
		ID: SafeID("test", name, fmt.Sprint(now.Unix())), AlarmID: TestID(name), What: WasRaised, Kind: testKind,
		Title: m.words.Say("test.title", nil), Priority: 3, Since: now, Due: now,
		Text: m.words.Say("test.text", text.Values{"channel": name, "at": now}),
	}
	msg.Links = m.links(msg)
	return m.post(ctx, route, msg)
}

// TestID is what a test message to a channel names as its alarm.
func TestID(channel string) string { return SafeID("test", channel) }

// Beat returns when the Manager last looked at its notifications, by its clock; zero
// before the first look.
func (m *Manager) Beat() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.beat
}

// Deliveries returns how many deliveries have begun and not ended, and the routes
// whose last one failed.
func (m *Manager) Deliveries() (underWay int, failing []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for name, q := range m.queues {
		if q.busy {
			underWay++
		}
		if q.fails > 0 {
			failing = append(failing, name)
		}
	}
	return underWay, failing
}

// Close closes every channel.
func (m *Manager) Close() error {
	var errs []error
	for _, r := range m.routes {
		if r.Close != nil {
			errs = append(errs, r.Close())
		}
	}
	return errors.Join(errs...)
}
