package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"tidemark/alert/text"
)

// Policy is how a household wants to be told.
type Policy struct {
	Household   text.Locale
	Quiet       Quiet
	SnoozeFor   time.Duration // default 30 min
	Shorten     float64       // each interval is this part of the one before; default 0.7
	MinInterval time.Duration // default 5 min
	MaxLevel    int           // escalation ends here; default 4
	ClockSet    func() bool   // whether the wall clock can be trusted; nil: always
}

// withDefaults fills the fields left at zero.
func (p Policy) withDefaults() Policy {
	if p.SnoozeFor <= 0 {
		p.SnoozeFor = 30 * time.Minute
	}
	if p.Shorten <= 0 || p.Shorten > 1 {
		p.Shorten = 0.7
	}
	if p.MinInterval <= 0 {
		p.MinInterval = 5 * time.Minute
	}
	if p.MaxLevel <= 0 || p.MaxLevel > maxLevel {
		p.MaxLevel = maxLevel
	}
	if p.Quiet.zone == nil {
		p.Quiet.zone = p.Household.Zone
	}
	return p
}

// Manager keeps the life of the alarms: it takes the changes of the rules, writes
// notifications, escalates what nobody answers and takes answers. It keeps nothing in
// memory that is not in the Store but newer figures in the words of an alarm, so
// that another process (the command line) may answer as well. It is safe for use by several goroutines.
type Manager struct {
	mu       sync.Mutex
	store    Store
	out      *Outbox
	routes   []Route
	policy   Policy
	clock    Clock
	words    *text.Localizer
	policies map[Kind]policy
	unsaved  []Change         // changes the store has refused, oldest first
	fresh    map[string]Alarm // today's words of open alarms by ID, not worth a write of the disk
	stamped  time.Time        // when the last notification was written
}

// ErrUnknownAlarm says that there is no open alarm of that ID.
var ErrUnknownAlarm = errors.New("no open alarm has this ID")

// NewManager returns a Manager that writes notifications for the routes. out may be nil when
// nothing delivers in this process; call NewManager before out.Run. When the
// options of out name nobody for notifications refused for good, the Manager takes them.
func NewManager(store Store, out *Outbox, routes []Route, policy Policy, clock Clock) *Manager {
	if clock == nil {
		clock = WallClock{}
	}
	m := &Manager{store: store, out: out, routes: routes, policy: policy.withDefaults(), clock: clock,
		words: text.New(policy.Household), policies: policies(), fresh: map[string]Alarm{}}
	if out != nil && out.opts.Failed == nil {
		out.opts.Failed = m.HandOn
	}
	return m
}

// Alarms returns the open alarms and those resolved of rises under way, oldest
// first: what Watch.Restore wants.
func (m *Manager) Alarms(ctx context.Context) ([]Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.openAlarms(ctx)
}

// openAlarms reads the stored alarms, in today's words; mu is held.
func (m *Manager) openAlarms(ctx context.Context) ([]Alarm, error) {
	alarms, err := m.store.OpenAlarms(ctx)
	if err != nil {
		return nil, fmt.Errorf("the alarms cannot be read: %w", err)
	}
	for i, a := range alarms {
		if f, ok := m.fresh[a.ID]; ok && a.State != Resolved {
			alarms[i] = merge(a, f)
		}
	}
	return alarms, nil
}

// Apply takes in what the rules said in one step. Alarms of one vessel raised
// together are told in one notification. When the store refuses, the change is kept
// and tried again at the next Apply or Tick, and the error says so.
func (m *Manager) Apply(ctx context.Context, changes []Change) error {
	if len(changes) == 0 {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.unsaved = append(m.unsaved, changes...)
	return m.flush(ctx)
}

// flush applies the changes not yet stored; mu is held.
func (m *Manager) flush(ctx context.Context) error {
	open, err := m.load(ctx)
	if err != nil {
		return err
	}
	leaders := leadersOf(m.unsaved)
	slices.SortStableFunc(m.unsaved, func(a, b Change) int { return first(leads(leaders, a), leads(leaders, b)) })
	urgent := false
	for len(m.unsaved) > 0 {
		c := m.unsaved[0]
		if err := m.apply(ctx, open, c, leaders, m.unsaved); err != nil {
			return fmt.Errorf("alarm %s cannot be stored: %w", c.Alarm.ID, err)
		}
		urgent = urgent || c.Alarm.Priority >= 5
		m.unsaved = m.unsaved[1:]
	}
	m.unsaved = nil
	m.call(urgent)
	return nil
}

// call wakes the outbox.
func (m *Manager) call(urgent bool) {
	if m.out != nil {
		m.out.Wake(urgent)
	}
}

// load returns the stored alarms by ID.
func (m *Manager) load(ctx context.Context) (map[string]Alarm, error) {
	alarms, err := m.openAlarms(ctx)
	if err != nil {
		return nil, err
	}
	byID := map[string]Alarm{}
	for _, a := range alarms {
		byID[a.ID] = a
	}
	return byID, nil
}

// leadersOf finds, per vessel, the alarm whose notification tells the others raised
// with it: the most urgent, the first of equals.
func leadersOf(changes []Change) map[string]Alarm {
	best := map[string]Alarm{}
	for _, c := range changes {
		a := c.Alarm
		if old, ok := best[a.Vessel]; c.What == WasRaised && (!ok || a.Priority > old.Priority) {
			best[a.Vessel] = a
		}
	}
	return best
}

// leads reports whether a change raises an alarm that tells others as well.
func leads(leaders map[string]Alarm, c Change) bool {
	return c.What == WasRaised && leaders[c.Alarm.Vessel].ID == c.Alarm.ID
}

// first orders true before false.
func first(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// covers reports whether the notification of one alarm can tell another one as well:
// it goes no later and through every route the other would take.
func (m *Manager) covers(leader, a Alarm) bool {
	now := m.clock.Now()
	if leader.ID == a.ID || m.policy.Quiet.Hold(leader.Kind, now).After(m.policy.Quiet.Hold(a.Kind, now)) {
		return false
	}
	for i := range m.routes {
		if m.routes[i].takes(a) && !m.routes[i].takes(leader) {
			return false
		}
	}
	return true
}

// apply takes in one change.
func (m *Manager) apply(ctx context.Context, open map[string]Alarm, c Change, leaders map[string]Alarm, all []Change) error {
	old, known := open[c.Alarm.ID]
	switch {
	case c.What == WasRaised && (known || m.sameOfMachine(open, c.Alarm)):
		return nil // told already, before a restart or by another vessel's rules
	case c.What != WasRaised && !known:
		return nil // of another run
	case c.What == WasRaised:
		return m.raise(ctx, open, c, leaders[c.Alarm.Vessel], all)
	case c.What == WasResolved:
		return m.resolve(ctx, open, old, c)
	}
	return m.renew(ctx, open, old, c)
}

// sameOfMachine reports whether an alarm about the machine is open already.
func (m *Manager) sameOfMachine(open map[string]Alarm, a Alarm) bool {
	for _, o := range open {
		if a.Vessel == "" && o.Kind == a.Kind && o.State != Resolved {
			return true
		}
	}
	return false
}

// raise stores a new alarm with its notifications.
func (m *Manager) raise(ctx context.Context, open map[string]Alarm, c Change, leader Alarm, all []Change) error {
	a := c.Alarm
	a.LastSentAt = a.FiredAt
	if m.covers(leader, a) {
		a.LedBy = leader.ID
		open[a.ID] = a
		return m.store.SaveAlarm(ctx, a, nil)
	}
	told := a
	for _, other := range all {
		_, stored := open[other.Alarm.ID]
		if other.What == WasRaised && other.Alarm.Vessel == a.Vessel && a.ID == leader.ID && !stored && m.covers(a, other.Alarm) {
			told.Text = join(told.Text, m.words.Say("also", text.Values{"text": other.Alarm.Text}))
		}
	}
	notifications, err := m.notifications(ctx, told, WasRaised, "", c.ClockSet)
	if err != nil {
		return err
	}
	open[a.ID] = a
	return m.store.SaveAlarm(ctx, a, notifications)
}

// resolve ends an alarm: its waiting notifications are of no use any more.
func (m *Manager) resolve(ctx context.Context, open map[string]Alarm, old Alarm, c Change) error {
	if err := m.setFree(ctx, open, old, c.ClockSet); err != nil {
		return err
	}
	if err := m.withdraw(ctx, old.ID); err != nil {
		return err
	}
	delete(m.fresh, old.ID)
	a := merge(old, c.Alarm)
	a.State, a.ResolvedAt = Resolved, c.Alarm.ResolvedAt
	var notifications []Notification
	if m.policies[a.Kind].tellsEnd && old.State != Resolved {
		end := a
		end.Priority = 2
		var err error
		if notifications, err = m.notifications(ctx, end, WasResolved, "/end", c.ClockSet); err != nil {
			return err
		}
	}
	open[a.ID] = a
	return m.store.SaveAlarm(ctx, a, notifications)
}

// setFree lets the alarms that an ending one has told stand on their own. When
// its notification is still waiting they were not told yet and get notifications.
func (m *Manager) setFree(ctx context.Context, open map[string]Alarm, leader Alarm, clockSet bool) error {
	waiting, err := m.waiting(ctx, leader.ID)
	if err != nil {
		return err
	}
	for id, a := range open {
		if a.LedBy != leader.ID || a.State != Firing {
			continue
		}
		a.LedBy = ""
		var notifications []Notification
		if len(waiting) > 0 {
			if notifications, err = m.notifications(ctx, a, WasRaised, "", clockSet); err != nil {
				return err
			}
		}
		if err := m.store.SaveAlarm(ctx, a, notifications); err != nil {
			return err
		}
		open[id] = a
	}
	return nil
}

// renew takes in a newer text or a worse state. An alarm that somebody has
// answered stays quiet.
func (m *Manager) renew(ctx context.Context, open map[string]Alarm, old Alarm, c Change) error {
	a := merge(old, c.Alarm)
	var notifications []Notification
	var err error
	switch {
	case c.What == WasRefreshed:
		if notifications, err = m.reword(ctx, a); err != nil {
			return err
		}
		if len(notifications) == 0 {
			m.fresh[a.ID], open[a.ID] = a, a
			return nil
		}
	case old.State != Firing:
	default:
		suffix := "/u" + strconv.FormatInt(m.clock.Now().Unix(), 10)
		if notifications, err = m.notifications(ctx, a, c.What, suffix, c.ClockSet); err != nil {
			return err
		}
		if c.What == WasEscalated {
			a.LastSentAt = m.clock.Now()
		}
	}
	open[a.ID] = a
	delete(m.fresh, a.ID)
	return m.store.SaveAlarm(ctx, a, notifications)
}

// merge takes what the rules know anew and keeps what the manager knows.
func merge(old, fresh Alarm) Alarm {
	a := old
	a.Title, a.Text, a.Reason = fresh.Title, fresh.Text, fresh.Reason
	a.Priority = max(old.Priority, fresh.Priority)
	return a
}

// withdraw takes back the waiting notifications of an alarm.
func (m *Manager) withdraw(ctx context.Context, id string) error {
	if m.out != nil {
		return m.out.Withdraw(ctx, id)
	}
	return m.store.WithdrawNotifications(ctx, id)
}

// notifications writes one notification per route. Where an earlier notification of the alarm is
// still waiting it takes that one's place, so that a dead network does not pile
// up messages about one thing.
func (m *Manager) notifications(ctx context.Context, a Alarm, what What, suffix string, clockSet bool) ([]Notification, error) {
	waiting, err := m.waiting(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	now := m.stamp()
	var notifications []Notification
	for i := range m.routes {
		r := &m.routes[i]
		if !r.takes(a) {
			continue
		}
		l := Notification{ID: fmt.Sprintf("%s/%s/%d%s", a.ID, r.Name, a.Level, suffix), AlarmID: a.ID, Channel: r.Name,
			CreatedAt: now, State: Waiting}
		if old, ok := waiting[r.Name]; ok {
			l.ID, l.CreatedAt, l.Attempts, l.Answer = old.ID, old.CreatedAt, old.Attempts, old.Answer
		}
		l.NotBefore = m.policy.Quiet.Hold(a.Kind, m.clock.Now())
		if clockSet {
			l.ExpiresAt = l.NotBefore.Add(m.policies[a.Kind].lasts)
		}
		if l.Body, err = json.Marshal(m.message(a, what, l, clockSet)); err != nil {
			return nil, fmt.Errorf("the message cannot be written: %w", err)
		}
		notifications = append(notifications, l)
	}
	return notifications, nil
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

// message words what a notification carries.
func (m *Manager) message(a Alarm, what What, l Notification, clockSet bool) Message {
	msg := Message{ID: l.ID, AlarmID: a.ID, What: what, Kind: a.Kind, Reason: a.Reason, Vessel: a.Vessel, RiseID: a.RiseID,
		Title: a.Title, Text: a.Text, Priority: min(5, max(1, a.Priority)), Level: a.Level, Since: a.Since}
	if clockSet {
		msg.Due = l.CreatedAt
		if l.NotBefore.After(msg.Due) {
			msg.Due = l.NotBefore
		}
	}
	return msg
}

// waiting returns the waiting notifications of an alarm by route, the latest of each,
// without those under way just now.
func (m *Manager) waiting(ctx context.Context, alarmID string) (map[string]Notification, error) {
	all, err := m.store.DueNotifications(ctx, m.clock.Now().Add(always), 10*loadMost)
	if err != nil {
		return nil, fmt.Errorf("the waiting notifications cannot be read: %w", err)
	}
	byRoute := map[string]Notification{}
	for _, l := range all {
		if l.AlarmID == alarmID && (m.out == nil || !m.out.flying(l.ID)) {
			byRoute[l.Channel] = l
		}
	}
	return byRoute, nil
}
