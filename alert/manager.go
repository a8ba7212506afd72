package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
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
// notifications, escalates what nobody answers, takes answers and delivers. It holds
// what is open in memory, and a Store has it before it is told, for the next start. It is
// safe for use by several goroutines.
type Manager struct {
	store  Store // nil keeps nothing
	routes []Route
	opts   Options
	words  *text.Localizer
	wake   chan struct{}
	work   sync.WaitGroup // attempts under way

	list atomic.Pointer[[]Alarm] // the alarms as they were told last, oldest first; nil until they were read

	mu                   sync.Mutex              // held for a whole round, so that it sees every attempt that has ended
	changes              []Change                // not yet applied, because the store could not be read
	alarms               map[string]Alarm        // open, and resolved of the last rise; nil until they were read
	waiting              map[string]Notification // to be delivered
	unsavedAlarms        map[string]Alarm        // the store has not taken yet
	unsavedNotifications map[string]Notification
	stamped              time.Time // when the last notification was written
	queues               map[string]*queue
	beat                 time.Time // of the last round
}

// ErrUnknownAlarm says that there is no open alarm of that ID.
var ErrUnknownAlarm = errors.New("no open alarm has this ID")

// NewManager returns a Manager that writes notifications for the routes; Run makes it
// deliver them. Without a store nothing survives the program.
func NewManager(store Store, routes []Route, opts Options) *Manager {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	opts.Quiet.zone = opts.Household.Zone
	return &Manager{store: store, routes: routes, opts: opts, words: text.New(opts.Household), wake: make(chan struct{}, 1),
		waiting: map[string]Notification{}, unsavedAlarms: map[string]Alarm{}, unsavedNotifications: map[string]Notification{}, queues: map[string]*queue{}}
}

// Alarms returns the open alarms and those resolved of the last rise, oldest first: what
// Evaluator.Restore wants. It does not wait for the disk.
func (m *Manager) Alarms(ctx context.Context) ([]Alarm, error) {
	if m.list.Load() == nil {
		m.mu.Lock()
		defer m.mu.Unlock()
		if err := m.load(ctx); err != nil {
			return nil, err
		}
	}
	return slices.Clone(*m.list.Load()), nil
}

// show lets Alarms return them as they are now; mu is held, as for all that follow.
func (m *Manager) show() {
	list := slices.SortedFunc(maps.Values(m.alarms), func(a, b Alarm) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
	m.list.Store(&list)
}

// load reads what the run before left, once.
func (m *Manager) load(ctx context.Context) error {
	if m.alarms != nil {
		return nil
	}
	var alarms []Alarm
	var waiting []Notification
	if m.store != nil {
		var err, err2 error
		alarms, err = m.store.OpenAlarms(ctx)
		waiting, err2 = m.store.WaitingNotifications(ctx)
		if err = errors.Join(err, err2); err != nil {
			return fmt.Errorf("the alarms cannot be read: %w", err)
		}
	}
	m.alarms = map[string]Alarm{}
	for _, a := range alarms {
		m.alarms[a.ID] = a
	}
	for _, n := range waiting {
		m.waiting[n.ID] = n
	}
	m.show()
	return nil
}

// put takes the new state of an alarm in. One that is resolved is known on only for its
// rise.
func (m *Manager) put(a Alarm) {
	m.alarms[a.ID], m.unsavedAlarms[a.ID] = a, a
	maps.DeleteFunc(m.alarms, func(_ string, o Alarm) bool {
		return o.State == Resolved && (o.RiseID == 0 || o.Vessel == a.Vessel && a.RiseID > o.RiseID)
	})
}

// putNotification takes the new state of a notification in.
func (m *Manager) putNotification(n Notification) {
	m.unsavedNotifications[n.ID] = n
	if m.waiting[n.ID] = n; n.State != Waiting {
		delete(m.waiting, n.ID)
	}
}

// save shows and stores what is not stored yet.
func (m *Manager) save(ctx context.Context) error {
	m.show()
	alarms, notifications := m.unsavedAlarms, m.unsavedNotifications
	if len(alarms)+len(notifications) == 0 {
		return nil
	}
	if m.store != nil {
		err := m.store.SaveAlarms(ctx, slices.Collect(maps.Values(alarms)), slices.Collect(maps.Values(notifications)))
		if err != nil {
			return fmt.Errorf("%d alarms cannot be stored: %w", len(alarms), err)
		}
	}
	clear(alarms)
	clear(notifications)
	return nil
}

// Apply takes in what the rules said at one moment. What the store refuses is tried
// again at the next Apply or Round, and the error says so.
func (m *Manager) Apply(ctx context.Context, changes []Change) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.changes = append(m.changes, changes...)
	return m.flush(ctx)
}

// flush applies and stores what is not yet.
func (m *Manager) flush(ctx context.Context) error {
	if err := m.load(ctx); err != nil {
		return err
	}
	for _, c := range m.changes {
		m.apply(c)
	}
	m.changes = nil
	return m.save(ctx)
}

// apply takes in one change. An alarm that somebody has answered stays quiet.
func (m *Manager) apply(c Change) {
	a, known := m.alarms[c.Alarm.ID]
	raised := c.What == WasRaised
	if raised == known || raised && m.sameOfMachine(c.Alarm) {
		return // told already, before a restart or by another vessel's rules; or of another run
	}
	was, back := a.State, c.Alarm.Title != a.Title // else only its rise is over
	if raised {
		a = c.Alarm
		a.LastSentAt = a.FiredAt
	} else {
		a.Title, a.Text, a.Reason, a.Tap = c.Alarm.Title, c.Alarm.Text, c.Alarm.Reason, c.Alarm.Tap
		a.Priority = max(a.Priority, c.Alarm.Priority)
	}
	switch {
	case raised:
		m.tell(a, c.What, "", c.ClockSet)
	case c.What == WasRefreshed:
		for _, n := range m.waitingOf(a.ID) { // a message that comes late does not tell old figures
			n.Message.Title, n.Message.Text = a.Title, a.Text
			m.putNotification(n)
		}
	case c.What == WasResolved:
		if policyOf(a.Kind).tellsEnd && was != Resolved && back {
			end := a
			end.Priority = 2
			m.tell(end, WasResolved, "/end", c.ClockSet)
		} else {
			m.withdraw(a.ID)
		}
		a.State, a.ResolvedAt = Resolved, c.Alarm.ResolvedAt
	case was == Firing:
		now := m.opts.Now()
		m.tell(a, c.What, fmt.Sprintf("/u%d", now.Unix()), c.ClockSet)
		if c.What == WasEscalated {
			a.LastSentAt = now
		}
	}
	m.put(a)
}

// sameOfMachine reports whether an alarm about the machine is open already.
func (m *Manager) sameOfMachine(a Alarm) bool {
	for _, o := range m.alarms {
		if a.Vessel == "" && o.Kind == a.Kind && o.State != Resolved {
			return true
		}
	}
	return false
}

// waitingOf returns the waiting notifications of an alarm.
func (m *Manager) waitingOf(alarmID string) []Notification {
	all := slices.Collect(maps.Values(m.waiting))
	return slices.DeleteFunc(all, func(n Notification) bool { return n.AlarmID != alarmID })
}

// withdraw takes back what waits of an alarm and returns it.
func (m *Manager) withdraw(alarmID string) []Notification {
	taken := m.waitingOf(alarmID)
	for _, n := range taken {
		n.State = Withdrawn
		m.putNotification(n)
	}
	return taken
}

// tell writes one notification a route, in the place of those that still wait, so
// that a dead network does not pile up messages about one thing. An urgent one ends the
// pause of every queue.
func (m *Manager) tell(a Alarm, what What, suffix string, clockSet bool) {
	now, before := m.stamp(), m.withdraw(a.ID)
	for _, r := range m.routes {
		if !r.takes(a.Kind, a.Level) {
			continue
		}
		n := Notification{ID: fmt.Sprintf("%s/%s/%d%s", a.ID, r.Name, a.Level, suffix), AlarmID: a.ID, Channel: r.Name,
			CreatedAt: now, State: Waiting}
		for _, w := range before {
			if w.Channel == r.Name && w.CreatedAt.Before(n.CreatedAt) {
				n.CreatedAt, n.Attempts, n.Answer = w.CreatedAt, w.Attempts, w.Answer
			}
		}
		n.Message = messageOf(a, what, n, clockSet)
		m.putNotification(n)
	}
	for _, q := range m.queues {
		if a.Priority >= 5 {
			q.until = time.Time{}
		}
	}
	m.hurry()
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

// escalate tells again what nobody has answered and ends snoozes that are over.
func (m *Manager) escalate() {
	now := m.opts.Now()
	for _, a := range *m.list.Load() {
		switch {
		case a.State == Snoozed && !now.Before(a.SnoozedUntil):
			a.State, a.SnoozedAt, a.SnoozedUntil = Firing, time.Time{}, time.Time{}
			m.tellAgain(a, fmt.Sprintf("/s%d", now.Unix()))
		case m.opts.Quiet.tellAgainDue(a, now):
			a.Level, a.Priority = a.Level+1, min(5, a.Priority+1)
			m.tellAgain(a, "")
		}
	}
}

// tellAgain tells an alarm that nobody has answered. Above level 0 it says so.
func (m *Manager) tellAgain(a Alarm, suffix string) {
	a.LastSentAt = m.opts.Now()
	again := a
	if a.Level > 0 {
		again.Text = join(m.words.Say("still", text.Values{"count": a.Level + 1}), a.Text)
	}
	m.tell(again, WasEscalated, suffix, m.opts.ClockSet == nil || m.opts.ClockSet())
	m.put(a)
}

// handOn tells an alarm at once through the routes that would come later, when a
// channel has refused its notification for good.
func (m *Manager) handOn(n Notification) {
	a := m.alarms[n.AlarmID]
	if level := laterLevel(m.routes, a); a.State == Firing && level > 0 {
		a.Level = level
		m.tellAgain(a, "")
	}
}

// Open returns an open alarm.
func (m *Manager) Open(ctx context.Context, id string) (Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.open(ctx, id)
}

// open is Open with mu held.
func (m *Manager) open(ctx context.Context, id string) (Alarm, error) {
	err := m.load(ctx)
	a, ok := m.alarms[id]
	if err == nil && (!ok || a.State == Resolved) {
		err = fmt.Errorf("%w: %q", ErrUnknownAlarm, id)
	}
	return a, err
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
	a, err := m.open(ctx, id)
	if err != nil {
		return Alarm{}, err
	}
	change(&a, m.opts.Now())
	m.withdraw(id)
	m.put(a)
	if err := m.save(ctx); err != nil {
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
	for i := range m.changes {
		m.changes[i].Alarm = step.Alarm(m.changes[i].Alarm)
	}
	for _, alarms := range []map[string]Alarm{m.alarms, m.unsavedAlarms} {
		for id, a := range alarms {
			alarms[id] = step.Alarm(a)
		}
	}
	for _, notifications := range []map[string]Notification{m.waiting, m.unsavedNotifications} {
		for id, n := range notifications {
			notifications[id] = step.Notification(n)
		}
	}
	for _, q := range m.queues {
		ClockStep{By: step.By}.Times(&q.until)
	}
	step.Times(&m.beat)
	m.stamped = time.Time{}
	if m.alarms != nil {
		m.show()
	}
	m.hurry()
	return err
}
