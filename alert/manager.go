package alert

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"tidemark/alert/text"
)

// snoozeDefault is how long an alarm stays quiet when nobody says how long.
const snoozeDefault = 30 * time.Minute

// tickEvery is how often Run looks for what nobody has answered, real time.
const tickEvery = 10 * time.Second

// Policy is how a household wants to be told.
type Policy struct {
	Household text.Locale
	Quiet     Quiet
	SnoozeFor time.Duration // default 30 min
	ClockSet  func() bool   // whether the wall clock can be trusted; nil: always
}

// Manager keeps the life of the alarms: it takes the changes of the rules, writes
// notifications, escalates what nobody answers and takes answers. It keeps nothing
// in memory that is not in the Store but what the Store has refused, so that another
// process (the command line) may answer as well. It is safe for use by several
// goroutines.
type Manager struct {
	mu       sync.Mutex
	store    Store
	out      *Outbox
	routes   []Route
	policy   Policy
	clock    Clock
	words    *text.Localizer
	policies map[Kind]policy
	unsaved  []Change  // changes the store has refused, oldest first
	stamped  time.Time // when the last notification was written
}

// ErrUnknownAlarm says that there is no open alarm of that ID.
var ErrUnknownAlarm = errors.New("no open alarm has this ID")

// NewManager returns a Manager that writes notifications for the routes. out may be
// nil when nothing delivers in this process; call NewManager before out.Run.
func NewManager(store Store, out *Outbox, routes []Route, policy Policy, clock Clock) *Manager {
	if clock == nil {
		clock = WallClock{}
	}
	if policy.SnoozeFor <= 0 {
		policy.SnoozeFor = snoozeDefault
	}
	policy.Quiet.zone = policy.Household.Zone
	m := &Manager{store: store, out: out, routes: routes, policy: policy, clock: clock,
		words: text.New(policy.Household), policies: policies()}
	if out != nil {
		out.quiet, out.refused = policy.Quiet, m.handOn
	}
	return m
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
// changes not yet stored are kept and tried again at the next Apply or Tick, and the
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
	var told []Notification
	switch {
	case raised:
		a = c.Alarm
		a.LastSentAt = a.FiredAt
		told, err = m.told(a, c.What, "", c.ClockSet, waiting)
	case c.What == WasResolved:
		told, err = m.ended(a, c, waiting)
		a = merge(a, c.Alarm)
		a.State, a.ResolvedAt = Resolved, c.Alarm.ResolvedAt
	case c.What == WasRefreshed:
		a = merge(a, c.Alarm)
		told = reworded(waiting, a)
	default:
		a = merge(a, c.Alarm)
		if a.State != Firing {
			break
		}
		told, err = m.told(a, c.What, fmt.Sprintf("/u%d", m.clock.Now().Unix()), c.ClockSet, waiting)
		if c.What == WasEscalated {
			a.LastSentAt = m.clock.Now()
		}
	}
	if err != nil {
		return err
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

// merge takes what the rules know anew and keeps what the manager knows.
func merge(old, fresh Alarm) Alarm {
	old.Title, old.Text, old.Reason = fresh.Title, fresh.Text, fresh.Reason
	old.Priority = max(old.Priority, fresh.Priority)
	return old
}

// save stores an alarm with its notifications and wakes the outbox.
func (m *Manager) save(ctx context.Context, a Alarm, told []Notification) error {
	err := m.store.SaveAlarm(ctx, a, told)
	if m.out != nil && len(told) > 0 {
		m.out.Wake(a.Priority >= 5)
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
func (m *Manager) told(a Alarm, what What, suffix string, clockSet bool, waiting []Notification) ([]Notification, error) {
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
		body, err := messageOf(a, what, n, clockSet)
		if err != nil {
			return nil, err
		}
		n.Body = body
		out = append(out, n)
	}
	return out, nil
}

// ended writes what is told of the end of an alarm, if anything, and takes back what
// waits.
func (m *Manager) ended(a Alarm, c Change, waiting []Notification) ([]Notification, error) {
	if !m.policies[a.Kind].tellsEnd || a.State == Resolved {
		return withdrawn(waiting), nil
	}
	a = merge(a, c.Alarm)
	a.Priority = 2
	return m.told(a, WasResolved, "/end", c.ClockSet, waiting)
}

// stamp returns a moment for new notifications, later than the last one, so that the
// order of telling is the order of the stamps.
func (m *Manager) stamp() time.Time {
	now := m.clock.Now()
	if !now.After(m.stamped) && m.stamped.Sub(now) < time.Second {
		now = m.stamped.Add(time.Millisecond)
	}
	m.stamped = now
	return now
}

// Run looks for unanswered alarms until ctx ends. fail is told of errors of the
// store; it may be nil.
func (m *Manager) Run(ctx context.Context, fail func(error)) {
	ticker := time.NewTicker(tickEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		if err := m.Tick(ctx); err != nil && fail != nil && ctx.Err() == nil {
			fail(err)
		}
	}
}

// Tick escalates what nobody has answered, ends snoozes that are over and tries
// again what the store has refused.
func (m *Manager) Tick(ctx context.Context) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.flush(ctx); err != nil {
		return err
	}
	alarms, err := m.Alarms(ctx)
	if err != nil {
		return err
	}
	now := m.clock.Now()
	var errs []error
	for _, a := range alarms {
		switch {
		case a.State == Snoozed && !now.Before(a.SnoozedUntil):
			a.State, a.SnoozedAt, a.SnoozedUntil = Firing, time.Time{}, time.Time{}
			errs = append(errs, m.tellAgain(ctx, a, fmt.Sprintf("/s%d", now.Unix())))
		case m.policies[a.Kind].tellAgainDue(a, m.policy.Quiet, now):
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
	a.LastSentAt = m.clock.Now()
	told := a
	if a.Level > 0 {
		told.Text = join(m.words.Say("still", text.Values{"count": a.Level + 1}), a.Text)
	}
	ns, err := m.told(told, WasEscalated, suffix, m.policy.ClockSet == nil || m.policy.ClockSet(), waiting)
	if err != nil {
		return err
	}
	if err := m.save(ctx, a, ns); err != nil {
		return fmt.Errorf("alarm %s cannot be stored: %w", a.ID, err)
	}
	return nil
}

// handOn tells an alarm at once through the routes that would come later, when a
// channel has refused its notification for good.
func (m *Manager) handOn(ctx context.Context, n Notification) {
	m.mu.Lock()
	defer m.mu.Unlock()
	open, err := m.load(ctx)
	a, known := open[n.AlarmID]
	level := laterLevel(m.routes, a)
	if err != nil || !known || a.State != Firing || level == 0 {
		return
	}
	a.Level = level
	_ = m.tellAgain(ctx, a, "") // an error is no loss: the alarm stays open and escalates by time
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

// Snooze keeps an alarm quiet for a while; zero takes the policy's span.
func (m *Manager) Snooze(ctx context.Context, id, by string, span time.Duration) (Alarm, error) {
	if span <= 0 {
		span = m.policy.SnoozeFor
	}
	return m.answer(ctx, id, func(a *Alarm, now time.Time) {
		a.State, a.AckedBy, a.SnoozedAt, a.SnoozedUntil = Snoozed, by, now, now.Add(span)
	})
}

// answer changes an alarm and takes back what waits of it, at once.
func (m *Manager) answer(ctx context.Context, id string, change func(*Alarm, time.Time)) (Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	open, err := m.load(ctx)
	if err != nil {
		return Alarm{}, err
	}
	a, ok := open[id]
	if !ok || a.State == Resolved {
		return Alarm{}, fmt.Errorf("%w: %q", ErrUnknownAlarm, id)
	}
	waiting, err := m.waiting(ctx, id)
	if err != nil {
		return Alarm{}, err
	}
	change(&a, m.clock.Now())
	if err := m.save(ctx, a, withdrawn(waiting)); err != nil {
		return Alarm{}, fmt.Errorf("the answer cannot be stored: %w", err)
	}
	return a, nil
}

// ClockStep takes a set clock into account. move has to move what is stored and the
// clock itself; while it runs nothing is told, sent or escalated, so that no
// notification is looked at by one clock and with the times of the other. An error
// of move is returned and what is in memory moves all the same.
func (m *Manager) ClockStep(step ClockStep, move func() error) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.unsaved {
		m.unsaved[i].Alarm = step.Alarm(m.unsaved[i].Alarm)
	}
	m.stamped = time.Time{}
	if m.out == nil {
		return move()
	}
	return m.out.clockStep(step, move)
}
