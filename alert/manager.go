package alert

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"tidemark/alert/text"
)

// snoozeDefault is how long an alarm stays quiet when nobody says how long.
const snoozeDefault = 30 * time.Minute

// Options say how a household wants to be told.
type Options struct {
	Household text.Locale
	Quiet     Quiet
	Now       func() time.Time // by which alarms and notifications are stamped; nil: time.Now
	ClockSet  func() bool      // whether the wall clock can be trusted; nil: always
	Log       *slog.Logger     // nil: nothing is logged
	// Address returns where phones reach the answer verb to an alarm, and the page for
	// an empty verb; empty for nowhere. nil: messages have no buttons.
	Address func(verb, id string) string
	// Picture returns the curve of a vessel as PNG; nil, an error or more than
	// 60 kB means none.
	Picture func(ctx context.Context, vessel string, riseID int64) ([]byte, error)
}

// Manager keeps the life of the alarms: it takes the changes of the rules, writes
// notifications, escalates what nobody answers, takes answers and delivers. It keeps
// nothing in memory that is not in the Store but what the Store has refused and the
// pauses of the routes. It is safe for use by several goroutines.
type Manager struct {
	store  Store
	routes []Route
	opts   Options
	words  *text.Localizer
	wake   chan struct{}
	work   sync.WaitGroup // attempts under way

	mu      sync.Mutex // held for a whole round, so that it sees every attempt that has ended
	unsaved []Change   // changes the store has refused, oldest first
	stamped time.Time  // when the last notification was written
	queues  map[string]*queue
	beat    time.Time // of the last round that could read the store
}

// ErrUnknownAlarm says that there is no open alarm of that ID.
var ErrUnknownAlarm = errors.New("no open alarm has this ID")

// NewManager returns a Manager that writes notifications for the routes; Run makes it
// deliver them.
func NewManager(store Store, routes []Route, opts Options) *Manager {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	opts.Quiet.zone = opts.Household.Zone
	return &Manager{store: store, routes: routes, opts: opts, words: text.New(opts.Household),
		wake: make(chan struct{}, 1), queues: map[string]*queue{}}
}

// Alarms returns the open alarms and those resolved of rises under way, oldest
// first: what Evaluator.Restore wants.
func (m *Manager) Alarms(ctx context.Context) ([]Alarm, error) {
	alarms, err := m.store.OpenAlarms(ctx)
	if err != nil {
		return nil, fmt.Errorf("the alarms cannot be read: %w", err)
	}
	return alarms, nil
}

// load returns the stored alarms by ID.
func (m *Manager) load(ctx context.Context) (map[string]Alarm, error) {
	alarms, err := m.Alarms(ctx)
	byID := map[string]Alarm{}
	for _, a := range alarms {
		byID[a.ID] = a
	}
	return byID, err
}

// Apply takes in what the rules said at one moment. When the store refuses, the
// changes not yet stored are kept and tried again at the next Apply or Round, and the
// error says so.
func (m *Manager) Apply(ctx context.Context, changes []Change) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.unsaved = append(m.unsaved, changes...)
	return m.flush(ctx)
}

// flush applies the changes not yet stored; mu is held.
func (m *Manager) flush(ctx context.Context) error {
	if len(m.unsaved) == 0 {
		return nil
	}
	open, err := m.load(ctx)
	if err != nil {
		return err
	}
	for len(m.unsaved) > 0 {
		c := m.unsaved[0]
		if err := m.apply(ctx, open, c); err != nil {
			return fmt.Errorf("alarm %s cannot be stored: %w", c.Alarm.ID, err)
		}
		m.unsaved = m.unsaved[1:]
	}
	return nil
}

// apply takes in one change. An alarm that somebody has answered stays quiet.
func (m *Manager) apply(ctx context.Context, open map[string]Alarm, c Change) error {
	a, known := open[c.Alarm.ID]
	raised := c.What == WasRaised
	if raised == known || raised && sameOfMachine(open, c.Alarm) {
		return nil // told already, before a restart or by another vessel's rules; or of another run
	}
	waiting, err := m.waiting(ctx, c.Alarm.ID)
	if err != nil {
		return err
	}
	was := a.State
	if raised {
		a = c.Alarm
		a.LastSentAt = a.FiredAt
	} else {
		a.Title, a.Text, a.Reason, a.Tap = c.Alarm.Title, c.Alarm.Text, c.Alarm.Reason, c.Alarm.Tap
		a.Priority = max(a.Priority, c.Alarm.Priority)
	}
	var told []Notification
	switch {
	case raised:
		told = m.told(a, c.What, "", c.ClockSet, waiting)
	case c.What == WasRefreshed:
		for _, n := range waiting { // a message that comes late does not tell old figures
			n.Message.Title, n.Message.Text = a.Title, a.Text
			told = append(told, n)
		}
	case c.What == WasResolved:
		told = withdrawn(waiting)
		if policyOf(a.Kind).tellsEnd && was != Resolved {
			end := a
			end.Priority = 2
			told = m.told(end, WasResolved, "/end", c.ClockSet, waiting)
		}
		a.State, a.ResolvedAt = Resolved, c.Alarm.ResolvedAt
	case was == Firing:
		now := m.opts.Now()
		told = m.told(a, c.What, fmt.Sprintf("/u%d", now.Unix()), c.ClockSet, waiting)
		if c.What == WasEscalated {
			a.LastSentAt = now
		}
	}
	open[a.ID] = a
	return m.save(ctx, a, told)
}

// sameOfMachine reports whether an alarm about the machine is open already.
func sameOfMachine(open map[string]Alarm, a Alarm) bool {
	for _, o := range open {
		if a.Vessel == "" && o.Kind == a.Kind && o.State != Resolved {
			return true
		}
	}
	return false
}

// save stores an alarm with its notifications and has them delivered. An urgent one
// ends the pause of every queue; mu is held.
func (m *Manager) save(ctx context.Context, a Alarm, told []Notification) error {
	err := m.store.SaveAlarm(ctx, a, told)
	if len(told) > 0 {
		if a.Priority >= 5 {
			for _, q := range m.queues {
				q.until = time.Time{}
			}
		}
		m.hurry()
	}
	return err
}

// waiting returns the waiting notifications of an alarm, oldest first.
func (m *Manager) waiting(ctx context.Context, alarmID string) ([]Notification, error) {
	all, err := m.store.WaitingNotifications(ctx)
	if err != nil {
		return nil, fmt.Errorf("the waiting notifications cannot be read: %w", err)
	}
	var of []Notification
	for _, n := range all {
		if n.AlarmID == alarmID {
			of = append(of, n)
		}
	}
	return of, nil
}

// told writes one notification a route, in the place of those that still wait, so
// that a dead network does not pile up messages about one thing.
func (m *Manager) told(a Alarm, what What, suffix string, clockSet bool, waiting []Notification) []Notification {
	now := m.stamp()
	out := withdrawn(waiting)
	for _, r := range m.routes {
		if !r.takes(a.Kind, a.Level) {
			continue
		}
		n := Notification{ID: fmt.Sprintf("%s/%s/%d%s", a.ID, r.Name, a.Level, suffix), AlarmID: a.ID, Channel: r.Name,
			CreatedAt: now, State: Waiting}
		for _, w := range waiting {
			if w.Channel == r.Name && w.CreatedAt.Before(n.CreatedAt) {
				n.CreatedAt, n.Attempts, n.Answer = w.CreatedAt, w.Attempts, w.Answer
			}
		}
		n.Message = messageOf(a, what, n, clockSet)
		out = append(out, n)
	}
	return out
}

// withdrawn returns waiting notifications as taken back.
func withdrawn(waiting []Notification) []Notification {
	out := slices.Clone(waiting)
	for i := range out {
		out[i].State = Withdrawn
	}
	return out
}

// stamp returns a moment for new notifications, later than the last one, so that the
// order of telling is the order of the stamps.
func (m *Manager) stamp() time.Time {
	now := m.opts.Now()
	if !now.After(m.stamped) && m.stamped.Sub(now) < time.Second {
		now = m.stamped.Add(time.Millisecond)
	}
	m.stamped = now
	return now
}

// escalate tells again what nobody has answered and ends snoozes that are over; mu
// is held.
func (m *Manager) escalate(ctx context.Context) error {
	alarms, err := m.Alarms(ctx)
	now := m.opts.Now()
	errs := []error{err}
	for _, a := range alarms {
		switch {
		case a.State == Snoozed && !now.Before(a.SnoozedUntil):
			a.State, a.SnoozedAt, a.SnoozedUntil = Firing, time.Time{}, time.Time{}
			errs = append(errs, m.tellAgain(ctx, a, fmt.Sprintf("/s%d", now.Unix())))
		case m.opts.Quiet.tellAgainDue(a, now):
			a.Level, a.Priority = a.Level+1, min(5, a.Priority+1)
			errs = append(errs, m.tellAgain(ctx, a, ""))
		}
	}
	return errors.Join(errs...)
}

// tellAgain tells an alarm that nobody has answered. Above level 0 it says so.
func (m *Manager) tellAgain(ctx context.Context, a Alarm, suffix string) error {
	waiting, err := m.waiting(ctx, a.ID)
	if err != nil {
		return err
	}
	a.LastSentAt = m.opts.Now()
	again := a
	if a.Level > 0 {
		again.Text = join(m.words.Say("still", text.Values{"count": a.Level + 1}), a.Text)
	}
	told := m.told(again, WasEscalated, suffix, m.opts.ClockSet == nil || m.opts.ClockSet(), waiting)
	if err := m.save(ctx, a, told); err != nil {
		return fmt.Errorf("alarm %s cannot be stored: %w", a.ID, err)
	}
	return nil
}

// handOn tells an alarm at once through the routes that would come later, when a
// channel has refused its notification for good; mu is held.
func (m *Manager) handOn(ctx context.Context, n Notification) {
	open, err := m.load(ctx)
	a, known := open[n.AlarmID]
	level := laterLevel(m.routes, a)
	if err != nil || !known || a.State != Firing || level == 0 {
		return
	}
	a.Level = level
	_ = m.tellAgain(ctx, a, "") // an error is no loss: the alarm stays open and escalates by time
}

// Open returns an open alarm.
func (m *Manager) Open(ctx context.Context, id string) (Alarm, error) {
	open, err := m.load(ctx)
	if err != nil {
		return Alarm{}, err
	}
	a, ok := open[id]
	if !ok || a.State == Resolved {
		return Alarm{}, fmt.Errorf("%w: %q", ErrUnknownAlarm, id)
	}
	return a, nil
}

// Ack says that somebody has understood an alarm: nothing more is sent about it. by
// says who, such as "page" or "push".
func (m *Manager) Ack(ctx context.Context, id, by string) (Alarm, error) {
	return m.answer(ctx, id, func(a *Alarm, now time.Time) {
		if a.State != Acknowledged {
			a.State, a.AckedAt, a.AckedBy = Acknowledged, now, by
			a.SnoozedAt, a.SnoozedUntil = time.Time{}, time.Time{}
		}
	})
}

// Snooze keeps an alarm quiet for a while; zero is 30 min.
func (m *Manager) Snooze(ctx context.Context, id, by string, span time.Duration) (Alarm, error) {
	if span <= 0 {
		span = snoozeDefault
	}
	return m.answer(ctx, id, func(a *Alarm, now time.Time) {
		a.State, a.AckedBy, a.SnoozedAt, a.SnoozedUntil = Snoozed, by, now, now.Add(span)
	})
}

// answer changes an alarm and takes back what waits of it, at once.
func (m *Manager) answer(ctx context.Context, id string, change func(*Alarm, time.Time)) (Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	a, err := m.Open(ctx, id)
	if err != nil {
		return Alarm{}, err
	}
	waiting, err := m.waiting(ctx, id)
	if err != nil {
		return Alarm{}, err
	}
	change(&a, m.opts.Now())
	if err := m.save(ctx, a, withdrawn(waiting)); err != nil {
		return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
	}
	return a, nil
}

// ClockStep takes a set clock into account. move has to move what is stored and the
// clock itself; while it runs nothing is told, sent or escalated, so that no
// notification is looked at by one clock and with the times of the other. An error
// of move is returned and what is in memory moves all the same: what a queue waits for
// is a span, whenever it began.
func (m *Manager) ClockStep(step ClockStep, move func() error) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := move()
	for i := range m.unsaved {
		m.unsaved[i].Alarm = step.Alarm(m.unsaved[i].Alarm)
	}
	for _, q := range m.queues {
		ClockStep{By: step.By}.Times(&q.until)
	}
	step.Times(&m.beat)
	m.stamped = time.Time{}
	m.hurry()
	return err
}
