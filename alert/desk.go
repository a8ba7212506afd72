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

// Desk keeps the life of the alarms: it takes the changes of the rules, writes
// letters, escalates what nobody answers and takes answers. It keeps nothing in
// memory that is not in the Store but newer figures in the words of an alarm, so
// that another process (the command line) may answer as well. It is safe for use by several goroutines.
type Desk struct {
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
	stamped  time.Time        // when the last letter was written
}

// ErrUnknownAlarm says that there is no open alarm of that ID.
var ErrUnknownAlarm = errors.New("no open alarm has this ID")

// NewDesk returns a Desk that writes letters for the routes. out may be nil when
// nothing delivers in this process; call NewDesk before out.Run. When the
// options of out name nobody for letters refused for good, the Desk takes them.
func NewDesk(store Store, out *Outbox, routes []Route, policy Policy, clock Clock) *Desk {
	if clock == nil {
		clock = WallClock{}
	}
	d := &Desk{store: store, out: out, routes: routes, policy: policy.withDefaults(), clock: clock,
		words: text.New(policy.Household), policies: policies(), fresh: map[string]Alarm{}}
	if out != nil && out.opts.Failed == nil {
		out.opts.Failed = d.HandOn
	}
	return d
}

// Alarms returns the open alarms and those resolved of rises under way, oldest
// first: what Watch.Restore wants.
func (d *Desk) Alarms(ctx context.Context) ([]Alarm, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.openAlarms(ctx)
}

// openAlarms reads the stored alarms, in today's words; mu is held.
func (d *Desk) openAlarms(ctx context.Context) ([]Alarm, error) {
	alarms, err := d.store.OpenAlarms(ctx)
	if err != nil {
		return nil, fmt.Errorf("the alarms cannot be read: %w", err)
	}
	for i, a := range alarms {
		if f, ok := d.fresh[a.ID]; ok && a.State != Resolved {
			alarms[i] = merge(a, f)
		}
	}
	return alarms, nil
}

// Apply takes in what the rules said in one step. Alarms of one vessel raised
// together are told in one letter. When the store refuses, the change is kept
// and tried again at the next Apply or Tick, and the error says so.
func (d *Desk) Apply(ctx context.Context, changes []Change) error {
	if len(changes) == 0 {
		return nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.unsaved = append(d.unsaved, changes...)
	return d.flush(ctx)
}

// flush applies the changes not yet stored; mu is held.
func (d *Desk) flush(ctx context.Context) error {
	open, err := d.load(ctx)
	if err != nil {
		return err
	}
	leaders := leadersOf(d.unsaved)
	slices.SortStableFunc(d.unsaved, func(a, b Change) int { return first(leads(leaders, a), leads(leaders, b)) })
	urgent := false
	for len(d.unsaved) > 0 {
		c := d.unsaved[0]
		if err := d.apply(ctx, open, c, leaders, d.unsaved); err != nil {
			return fmt.Errorf("alarm %s cannot be stored: %w", c.Alarm.ID, err)
		}
		urgent = urgent || c.Alarm.Priority >= 5
		d.unsaved = d.unsaved[1:]
	}
	d.unsaved = nil
	d.call(urgent)
	return nil
}

// call wakes the outbox.
func (d *Desk) call(urgent bool) {
	if d.out != nil {
		d.out.Wake(urgent)
	}
}

// load returns the stored alarms by ID.
func (d *Desk) load(ctx context.Context) (map[string]Alarm, error) {
	alarms, err := d.openAlarms(ctx)
	if err != nil {
		return nil, err
	}
	byID := map[string]Alarm{}
	for _, a := range alarms {
		byID[a.ID] = a
	}
	return byID, nil
}

// leadersOf finds, per vessel, the alarm whose letter tells the others raised
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

// covers reports whether the letter of one alarm can tell another one as well:
// it goes no later and through every route the other would take.
func (d *Desk) covers(leader, a Alarm) bool {
	now := d.clock.Now()
	if leader.ID == a.ID || d.policy.Quiet.Hold(leader.Kind, now).After(d.policy.Quiet.Hold(a.Kind, now)) {
		return false
	}
	for i := range d.routes {
		if d.routes[i].takes(a) && !d.routes[i].takes(leader) {
			return false
		}
	}
	return true
}

// apply takes in one change.
func (d *Desk) apply(ctx context.Context, open map[string]Alarm, c Change, leaders map[string]Alarm, all []Change) error {
	old, known := open[c.Alarm.ID]
	switch {
	case c.What == WasRaised && (known || d.sameOfMachine(open, c.Alarm)):
		return nil // told already, before a restart or by another vessel's rules
	case c.What != WasRaised && !known:
		return nil // of another run
	case c.What == WasRaised:
		return d.raise(ctx, open, c, leaders[c.Alarm.Vessel], all)
	case c.What == WasResolved:
		return d.resolve(ctx, open, old, c)
	}
	return d.renew(ctx, open, old, c)
}

// sameOfMachine reports whether an alarm about the machine is open already.
func (d *Desk) sameOfMachine(open map[string]Alarm, a Alarm) bool {
	for _, o := range open {
		if a.Vessel == "" && o.Kind == a.Kind && o.State != Resolved {
			return true
		}
	}
	return false
}

// raise stores a new alarm with its letters.
func (d *Desk) raise(ctx context.Context, open map[string]Alarm, c Change, leader Alarm, all []Change) error {
	a := c.Alarm
	a.LastSentAt = a.FiredAt
	if d.covers(leader, a) {
		a.LedBy = leader.ID
		open[a.ID] = a
		return d.store.SaveAlarm(ctx, a, nil)
	}
	told := a
	for _, other := range all {
		_, stored := open[other.Alarm.ID]
		if other.What == WasRaised && other.Alarm.Vessel == a.Vessel && a.ID == leader.ID && !stored && d.covers(a, other.Alarm) {
			told.Text = join(told.Text, d.words.Say("also", text.Values{"text": other.Alarm.Text}))
		}
	}
	letters, err := d.letters(ctx, told, WasRaised, "", c.ClockSet)
	if err != nil {
		return err
	}
	open[a.ID] = a
	return d.store.SaveAlarm(ctx, a, letters)
}

// resolve ends an alarm: its waiting letters are of no use any more.
func (d *Desk) resolve(ctx context.Context, open map[string]Alarm, old Alarm, c Change) error {
	if err := d.setFree(ctx, open, old, c.ClockSet); err != nil {
		return err
	}
	if err := d.withdraw(ctx, old.ID); err != nil {
		return err
	}
	delete(d.fresh, old.ID)
	a := merge(old, c.Alarm)
	a.State, a.ResolvedAt = Resolved, c.Alarm.ResolvedAt
	var letters []Letter
	if d.policies[a.Kind].tellsEnd && old.State != Resolved {
		end := a
		end.Priority = 2
		var err error
		if letters, err = d.letters(ctx, end, WasResolved, "/end", c.ClockSet); err != nil {
			return err
		}
	}
	open[a.ID] = a
	return d.store.SaveAlarm(ctx, a, letters)
}

// setFree lets the alarms that an ending one has told stand on their own. When
// its letter is still waiting they were not told yet and get letters.
func (d *Desk) setFree(ctx context.Context, open map[string]Alarm, leader Alarm, clockSet bool) error {
	waiting, err := d.waiting(ctx, leader.ID)
	if err != nil {
		return err
	}
	for id, a := range open {
		if a.LedBy != leader.ID || a.State != Firing {
			continue
		}
		a.LedBy = ""
		var letters []Letter
		if len(waiting) > 0 {
			if letters, err = d.letters(ctx, a, WasRaised, "", clockSet); err != nil {
				return err
			}
		}
		if err := d.store.SaveAlarm(ctx, a, letters); err != nil {
			return err
		}
		open[id] = a
	}
	return nil
}

// renew takes in a newer text or a worse state. An alarm that somebody has
// answered stays quiet.
func (d *Desk) renew(ctx context.Context, open map[string]Alarm, old Alarm, c Change) error {
	a := merge(old, c.Alarm)
	var letters []Letter
	var err error
	switch {
	case c.What == WasRefreshed:
		if letters, err = d.reword(ctx, a); err != nil {
			return err
		}
		if len(letters) == 0 {
			d.fresh[a.ID], open[a.ID] = a, a
			return nil
		}
	case old.State != Firing:
	default:
		suffix := "/u" + strconv.FormatInt(d.clock.Now().Unix(), 10)
		if letters, err = d.letters(ctx, a, c.What, suffix, c.ClockSet); err != nil {
			return err
		}
		if c.What == WasEscalated {
			a.LastSentAt = d.clock.Now()
		}
	}
	open[a.ID] = a
	delete(d.fresh, a.ID)
	return d.store.SaveAlarm(ctx, a, letters)
}

// merge takes what the rules know anew and keeps what the desk knows.
func merge(old, fresh Alarm) Alarm {
	a := old
	a.Title, a.Text, a.Reason = fresh.Title, fresh.Text, fresh.Reason
	a.Priority = max(old.Priority, fresh.Priority)
	return a
}

// withdraw takes back the waiting letters of an alarm.
func (d *Desk) withdraw(ctx context.Context, id string) error {
	if d.out != nil {
		return d.out.Withdraw(ctx, id)
	}
	return d.store.WithdrawLetters(ctx, id)
}

// letters writes one letter per route. Where an earlier letter of the alarm is
// still waiting it takes that one's place, so that a dead network does not pile
// up messages about one thing.
func (d *Desk) letters(ctx context.Context, a Alarm, what What, suffix string, clockSet bool) ([]Letter, error) {
	waiting, err := d.waiting(ctx, a.ID)
	if err != nil {
		return nil, err
	}
	now := d.stamp()
	var letters []Letter
	for i := range d.routes {
		r := &d.routes[i]
		if !r.takes(a) {
			continue
		}
		l := Letter{ID: fmt.Sprintf("%s/%s/%d%s", a.ID, r.Name, a.Level, suffix), AlarmID: a.ID, Channel: r.Name,
			CreatedAt: now, State: LetterWaiting}
		if old, ok := waiting[r.Name]; ok {
			l.ID, l.CreatedAt, l.Attempts, l.Answer = old.ID, old.CreatedAt, old.Attempts, old.Answer
		}
		l.NotBefore = d.policy.Quiet.Hold(a.Kind, d.clock.Now())
		if clockSet {
			l.ExpiresAt = l.NotBefore.Add(d.policies[a.Kind].lasts)
		}
		if l.Body, err = json.Marshal(d.message(a, what, l, clockSet)); err != nil {
			return nil, fmt.Errorf("the message cannot be written: %w", err)
		}
		letters = append(letters, l)
	}
	return letters, nil
}

// stamp returns a moment for new letters, later than the last one, so that the
// order of telling is the order of the stamps.
func (d *Desk) stamp() time.Time {
	now := d.clock.Now()
	if !now.After(d.stamped) && d.stamped.Sub(now) < time.Second {
		now = d.stamped.Add(time.Millisecond)
	}
	d.stamped = now
	return now
}

// message words what a letter carries.
func (d *Desk) message(a Alarm, what What, l Letter, clockSet bool) Message {
	m := Message{ID: l.ID, AlarmID: a.ID, What: what, Kind: a.Kind, Reason: a.Reason, Vessel: a.Vessel, RiseID: a.RiseID,
		Title: a.Title, Text: a.Text, Priority: min(5, max(1, a.Priority)), Level: a.Level, Since: a.Since}
	if clockSet {
		m.Due = l.CreatedAt
		if l.NotBefore.After(m.Due) {
			m.Due = l.NotBefore
		}
	}
	return m
}

// waiting returns the waiting letters of an alarm by route, the latest of each,
// without those under way just now.
func (d *Desk) waiting(ctx context.Context, alarmID string) (map[string]Letter, error) {
	all, err := d.store.DueLetters(ctx, d.clock.Now().Add(always), 10*loadMost)
	if err != nil {
		return nil, fmt.Errorf("the waiting letters cannot be read: %w", err)
	}
	byRoute := map[string]Letter{}
	for _, l := range all {
		if l.AlarmID == alarmID && (d.out == nil || !d.out.flying(l.ID)) {
			byRoute[l.Channel] = l
		}
	}
	return byRoute, nil
}
