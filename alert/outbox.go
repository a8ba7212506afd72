package alert

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"tidemark/alert/text"
)

// Waiting times of the Outbox, in real time unless said.
const (
	backoffFirst   = 5 * time.Second // by the clock of the Outbox
	backoffMost    = 5 * time.Minute
	retryAfterMost = time.Hour
	pollEvery      = 5 * time.Second
	attemptMost    = 30 * time.Second
	lateAfter      = 5 * time.Minute
	saveTries      = 3
	plainAfter     = 3   // attempts after which the picture is left out
	loadMost       = 500 // notifications looked at in one round
)

// always is far enough in the future that every notification is due by then.
const always = 100 * 365 * 24 * time.Hour

// OutboxOptions are what an Outbox may be given beside store and routes.
type OutboxOptions struct {
	Household text.Locale
	Clock     Clock                 // nil: the wall clock
	Log       *slog.Logger          // nil: nothing is logged
	Links     func(id string) Links // addresses to offer for an alarm; nil for none
	// Picture returns the curve of a vessel as PNG; nil, an error or more than
	// 60 kB means none.
	Picture func(ctx context.Context, vessel string, riseID int64) ([]byte, error)
	Rand    *rand.Rand // for the jitter; nil: seeded by the system
	// Failed is told of notifications refused for good.
	Failed func(ctx context.Context, l Notification)
}

// Outbox delivers the notifications of a Store through routes. Every route has its
// own queue: one that hangs does not hold up the others. Within a queue notifications
// go out oldest first, and a notification that cannot be delivered now holds back the
// younger ones, so that order is kept.
type Outbox struct {
	store  Store
	routes map[string]Route
	opts   OutboxOptions
	words  *text.Localizer
	wake   chan struct{}

	mu       sync.Mutex
	queues   map[string]*queue
	answered map[string]int // alarm ID: how often its notifications were withdrawn
	beat     time.Time      // end of the last full round
	oldest   time.Time      // due time of the oldest notification waiting then
	steps    []ClockStep    // of the clock, so far
	work     sync.WaitGroup

	moving sync.RWMutex // held for writing while a set clock and stored times move
}

// queue is the state of one route.
type queue struct {
	busy         bool
	notification string // the one under way while busy
	fails        int
	until        time.Time // not before this
	ended        int       // attempts so far
}

// NewOutbox returns an Outbox; Run makes it work.
func NewOutbox(store Store, routes []Route, opts OutboxOptions) *Outbox {
	if opts.Clock == nil {
		opts.Clock = WallClock{}
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Rand == nil {
		opts.Rand = rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))
	}
	o := &Outbox{
		store: store, routes: map[string]Route{}, opts: opts, words: text.New(opts.Household),
		wake: make(chan struct{}, 1), queues: map[string]*queue{}, answered: map[string]int{},
	}
	for _, r := range routes {
		o.routes[r.Name] = r
		o.queues[r.Name] = &queue{}
	}
	return o
}

// Wake makes Run look for notifications at once. An urgent call also ends the waiting
// of every queue.
func (o *Outbox) Wake(urgent bool) {
	if urgent {
		o.mu.Lock()
		for _, l := range o.queues {
			l.until = time.Time{}
		}
		o.mu.Unlock()
	}
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// Withdraw takes back the waiting notifications of an alarm, also one whose attempt
// is under way and fails.
func (o *Outbox) Withdraw(ctx context.Context, alarmID string) error {
	o.mu.Lock()
	o.answered[alarmID]++
	o.mu.Unlock()
	return o.store.WithdrawNotifications(ctx, alarmID)
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
		o.round(ctx)
		timer.Reset(o.pause())
	}
}

// round starts an attempt in every queue that is free and has a notification.
func (o *Outbox) round(ctx context.Context) {
	o.moving.RLock()
	defer o.moving.RUnlock()
	now := o.opts.Clock.Now()
	ended := o.ended()
	notifications, err := o.store.DueNotifications(ctx, now, loadMost)
	if err != nil {
		if ctx.Err() == nil {
			o.opts.Log.Error("notifications cannot be read from the store", "error", err)
		}
		return
	}
	first := map[string]Notification{}
	for _, l := range notifications {
		if _, taken := first[l.Channel]; !taken {
			first[l.Channel] = l
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.beat, o.oldest = now, time.Time{}
	if len(notifications) > 0 {
		o.oldest = notifications[0].CreatedAt
	}
	for name, l := range first {
		// A notification read while its queue was busy may be out by now: the end of the
		// attempt wakes the next round.
		if ln := o.queues[name]; ln == nil || ln.ended == ended[name] {
			o.start(ctx, now, name, l)
		}
	}
}

// ended returns how many attempts each queue has ended.
func (o *Outbox) ended() map[string]int {
	o.mu.Lock()
	defer o.mu.Unlock()
	ended := map[string]int{}
	for name, l := range o.queues {
		ended[name] = l.ended
	}
	return ended
}

// start begins an attempt when the queue is free; mu is held.
func (o *Outbox) start(ctx context.Context, now time.Time, name string, l Notification) {
	route, known := o.routes[name]
	if !known { // the channel is no longer configured
		route = Route{Name: name}
	}
	ln := o.queues[name]
	if ln == nil {
		ln = &queue{}
		o.queues[name] = ln
	}
	if ln.busy || now.Before(ln.until) || ctx.Err() != nil {
		return
	}
	ln.busy, ln.notification = true, l.ID
	seen := seen{now: now, answers: o.answered[l.AlarmID], steps: len(o.steps)}
	o.work.Add(1)
	go func() {
		defer o.work.Done()
		o.attempt(ctx, route, l, seen)
	}()
}

// seen is how things stood when an attempt began.
type seen struct {
	now     time.Time
	answers int // how often notifications of the alarm had been withdrawn
	steps   int // how often the clock had been set
}

// attempt delivers one notification and writes down how it went.
func (o *Outbox) attempt(ctx context.Context, route Route, l Notification, seen seen) {
	var pause time.Duration
	var failed bool
	switch {
	case !l.ExpiresAt.IsZero() && seen.now.After(l.ExpiresAt):
		l.State, l.Answer = Expired, expiredAnswer(l)
	case route.Channel == nil:
		l.State, l.Answer = Failed, fmt.Sprintf("channel %q is not in the configuration any more", l.Channel)
	default:
		answer, err := o.deliver(ctx, route, l)
		if err != nil && ctx.Err() != nil {
			o.release(route.Name, false, 0)
			return // stopped in the middle: try again after the next start
		}
		l.Attempts++
		pause, failed = o.outcome(&l, answer, err)
	}
	if err := o.save(ctx, l, seen); err != nil {
		o.opts.Log.Error("the outcome of a delivery cannot be stored; it may be sent again", "notification", l.ID, "error", err)
		failed = true
	}
	o.release(route.Name, failed, pause)
	o.report(ctx, l)
}

// expiredAnswer says why a notification was not sent.
func expiredAnswer(l Notification) string {
	if l.Answer == "" {
		return "too old to be of use; it was never sent"
	}
	return "too old to be of use; the last answer was: " + l.Answer
}

// outcome writes the answer into the notification and says whether the queue is in
// trouble and how long the other side asked to wait.
func (o *Outbox) outcome(l *Notification, answer string, err error) (wait time.Duration, trouble bool) {
	var refusal *Failure
	switch {
	case err == nil:
		l.State, l.Answer = Sent, answer
		return 0, false
	case errors.As(err, &refusal) && refusal.Final:
		l.State, l.Answer = Failed, refusal.Answer
		return 0, false
	case refusal != nil:
		l.Answer = refusal.Answer
		return min(refusal.RetryAfter, retryAfterMost), true
	}
	l.Answer = err.Error()
	return 0, true
}

// save stores the notification, trying a few times; a notification withdrawn meanwhile does
// not wait again, and one whose clock was set meanwhile takes the new times.
func (o *Outbox) save(ctx context.Context, l Notification, seen seen) error {
	o.moving.RLock()
	defer o.moving.RUnlock()
	for _, s := range o.since(seen.steps) {
		l = s.Notification(l)
	}
	if l.State == Sent {
		l.SentAt = o.opts.Clock.Now()
	}
	o.mu.Lock()
	if o.answered[l.AlarmID] != seen.answers && l.State == Waiting {
		l.State = Withdrawn
	}
	o.mu.Unlock()
	ctx = context.WithoutCancel(ctx) // what was sent must be written down, even while stopping
	if l.State == Waiting && o.takenBack(ctx, l.ID) {
		l.State = Withdrawn
	}
	var err error
	for range saveTries {
		if err = o.store.SaveNotification(ctx, l); err == nil {
			return nil
		}
	}
	return err
}

// takenBack reports whether another process has withdrawn a notification meanwhile.
func (o *Outbox) takenBack(ctx context.Context, id string) bool {
	waiting, err := o.store.DueNotifications(ctx, o.opts.Clock.Now().Add(always), 10*loadMost)
	if err != nil {
		return false
	}
	for _, l := range waiting {
		if l.ID == id {
			return false
		}
	}
	return true
}

// release frees the queue and sets its back-off.
func (o *Outbox) release(name string, failed bool, wait time.Duration) {
	o.mu.Lock()
	ln := o.queues[name]
	ln.busy = false
	ln.ended++
	if !failed {
		ln.fails, ln.until = 0, time.Time{}
	} else {
		ln.fails++
		ln.until = o.opts.Clock.Now().Add(max(wait, o.backoff(ln.fails)))
	}
	o.mu.Unlock()
	o.Wake(false)
}

// backoff returns the waiting time after so many failures: doubled each time up
// to a limit, with a jitter of a quarter either way; mu is held.
func (o *Outbox) backoff(fails int) time.Duration {
	wait := backoffMost
	if fails < 8 {
		wait = min(backoffMost, backoffFirst<<(fails-1))
	}
	return time.Duration(float64(wait) * (0.75 + 0.5*o.opts.Rand.Float64()))
}

// pause is how long Run sleeps when nobody wakes it.
func (o *Outbox) pause() time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	wait, now := pollEvery, o.opts.Clock.Now()
	for _, l := range o.queues {
		if left := l.until.Sub(now); !l.busy && left > 0 {
			wait = min(wait, left)
		}
	}
	return max(wait, 10*time.Millisecond)
}

// report logs an outcome and hands on a notification refused for good.
func (o *Outbox) report(ctx context.Context, l Notification) {
	log := o.opts.Log.With("notification", l.ID, "attempts", l.Attempts, "answer", l.Answer)
	switch l.State {
	case Sent:
		log.Info("notification delivered")
	case Waiting:
		log.Warn("notification not delivered yet")
	default:
		log.Error("notification given up", "state", l.State)
	}
	if l.State == Failed && o.opts.Failed != nil && ctx.Err() == nil {
		o.opts.Failed(ctx, l)
	}
}

// flying reports whether an attempt at a notification is under way.
func (o *Outbox) flying(id string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, l := range o.queues {
		if l.busy && l.notification == id {
			return true
		}
	}
	return false
}

// Progress is a proof that notifications move.
type Progress struct {
	Beat       time.Time     // end of the last look at the store; zero before the first
	StuckFor   time.Duration // how long the oldest due notification has been waiting; 0 when none is
	QueuesDown []string      // routes in back-off
}

// Progress returns the proof, by the clock of the Outbox.
func (o *Outbox) Progress() Progress {
	o.mu.Lock()
	defer o.mu.Unlock()
	p := Progress{Beat: o.beat}
	if !o.oldest.IsZero() {
		p.StuckFor = o.opts.Clock.Now().Sub(o.oldest)
	}
	for name, l := range o.queues {
		if l.fails > 0 {
			p.QueuesDown = append(p.QueuesDown, name)
		}
	}
	return p
}

// Close closes every channel.
func (o *Outbox) Close() error {
	var errs []error
	for _, r := range o.routes {
		if r.Channel != nil {
			errs = append(errs, r.Channel.Close())
		}
	}
	return errors.Join(errs...)
}
