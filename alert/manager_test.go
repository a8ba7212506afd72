package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// memStore is a Store in memory. It refuses while it is broken; a dead one, that of a
// process that was killed, takes nothing more.
type memStore struct {
	mu            sync.Mutex
	alarms        map[string]Alarm
	notifications map[string]Notification
	broken        atomic.Bool
}

func newMemStore() *memStore {
	return &memStore{alarms: map[string]Alarm{}, notifications: map[string]Notification{}}
}

func (m *memStore) SaveAlarms(_ context.Context, alarms []Alarm, notifications []Notification) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.broken.Load() {
		return errors.New("disk full")
	}
	for _, a := range alarms {
		m.alarms[a.ID] = a
	}
	for _, n := range notifications {
		m.notifications[n.ID] = n
	}
	return nil
}

func (m *memStore) OpenAlarms(context.Context) ([]Alarm, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Collect(maps.Values(m.alarms)), nil
}

func (m *memStore) WaitingNotifications(context.Context) ([]Notification, error) {
	return slices.DeleteFunc(m.all(), func(n Notification) bool { return n.State != Waiting }), nil
}

// all returns the notifications, oldest first.
func (m *memStore) all() []Notification {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.SortedFunc(maps.Values(m.notifications), Notification.Compare)
}

// alarm returns a stored alarm.
func (m *memStore) alarm(id string) Alarm {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.alarms[id]
}

// copy returns the store as it is now.
func (m *memStore) copy() *memStore {
	m.mu.Lock()
	defer m.mu.Unlock()
	return &memStore{alarms: maps.Clone(m.alarms), notifications: maps.Clone(m.notifications)}
}

// states lists the notifications as "id state".
func (m *memStore) states() (out []string) {
	for _, n := range m.all() {
		out = append(out, n.ID+" "+n.State)
	}
	return out
}

// house is a manager at work on a store, by a clock that runs with the bubble's and can be
// set, with what its channels take.
type house struct {
	t       *testing.T
	store   *memStore
	opts    Options
	routes  []Route
	manager *Manager
	stop    func()
	start   time.Time
	off     atomic.Int64 // of the clock
	down    atomic.Bool  // there is no network

	mu    sync.Mutex
	tries map[string]int // attempts by notification
	took  []Message
	lines []string // "minute route priority text"
}

// line is a channel of a house that answers by a script.
type line struct {
	h      *house
	name   string
	answer func(ctx context.Context, m Message, attempt int) error // nil: takes everything
}

func (l *line) Deliver(ctx context.Context, m Message) (string, error) {
	l.h.mu.Lock()
	l.h.tries[m.ID]++
	attempt := l.h.tries[m.ID]
	l.h.mu.Unlock()
	if l.h.down.Load() {
		return "", errors.New("no route to host")
	}
	if l.answer != nil {
		if err := l.answer(ctx, m, attempt); err != nil {
			return "", err
		}
	}
	l.h.mu.Lock()
	defer l.h.mu.Unlock()
	l.h.took = append(l.h.took, m)
	l.h.lines = append(l.h.lines, fmt.Sprintf("%d %s p%d %s", int(time.Since(l.h.start).Round(time.Minute).Minutes()), l.name, m.Priority, m.Text))
	return "200 taken", nil
}

// Now is the clock of the house.
func (h *house) Now() time.Time { return time.Now().Add(time.Duration(h.off.Load())) }

// run starts a manager on the store as it is.
func (h *house) run() {
	h.opts.Now = h.Now
	h.manager = NewManager(h.store, h.routes, h.opts)
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { h.manager.Run(ctx) })
	h.stop = func() { cancel(); done.Wait() }
}

// raised returns a change that raises an alarm, whose text is its ID.
func (h *house) raised(kind Kind, id string) Change {
	return Change{What: WasRaised, ClockSet: true, Alarm: Alarm{ID: id, Kind: kind, Vessel: "tub", RiseID: 1, State: Firing,
		Since: h.Now(), FiredAt: h.Now(), Title: id, Text: id, Priority: policyOf(kind).priority}}
}

func (h *house) apply(c Change) {
	require.NoError(h.t, h.manager.Apply(context.Background(), []Change{c}))
}
func (h *house) raise(kind Kind, id string) { h.apply(h.raised(kind, id)) }

// change tells that something happened to an alarm, which now says text.
func (h *house) change(what What, kind Kind, id, text string) {
	c := h.raised(kind, id)
	if c.What, c.Alarm.Title, c.Alarm.Text = what, text, text; what == WasResolved {
		c.Alarm.State, c.Alarm.ResolvedAt = Resolved, h.Now()
	}
	h.apply(c)
}

func (h *house) ack(id string) {
	_, err := h.manager.Ack(context.Background(), id, "page")
	require.NoError(h.t, err)
}

// set sets the clock, with everything before now.
func (h *house) set(by time.Duration) {
	m := ClockStep{Before: h.Now().Add(time.Second), By: by}
	require.NoError(h.t, h.manager.ClockStep(m, func() error {
		h.store.mu.Lock()
		defer h.store.mu.Unlock()
		for id, a := range h.store.alarms {
			h.store.alarms[id] = m.Alarm(a)
		}
		for id, n := range h.store.notifications {
			h.store.notifications[id] = m.Notification(n)
		}
		h.off.Add(int64(by))
		return nil
	}))
}

// script answers every attempt by itself.
type script func(ctx context.Context, m Message, attempt int) error

func hang(ctx context.Context, _ Message, _ int) error {
	<-ctx.Done()
	return ctx.Err()
}

// once answers the first attempt so and takes the second.
func once(err error) script {
	return func(_ context.Context, _ Message, attempt int) error {
		if attempt == 1 {
			return err
		}
		return nil
	}
}

// story is some hours of a house: what happens when, what its channels take, and what else
// holds in the end.
type story struct {
	opts   Options
	phone  script // of the channel phone; nil takes everything
	post   int    // level from which the channel post is used; 0: there is none
	lasts  time.Duration
	acts   []act
	want   []string // lines; without their minute when untimed
	stored []string // notifications in the end, when not nil
	end    func(h *house)
}

// act is what happens at a time from the start, which is midnight UTC.
type act struct {
	at time.Duration
	do func(h *house)
}

// up brings the network back.
func up(h *house) { h.down.Store(false) }

// down takes the network away.
func down(h *house) { h.down.Store(true) }

func raise(kind Kind, id string) func(*house) { return func(h *house) { h.raise(kind, id) } }

const mins = time.Minute

// anything is wanted where the lines hang on jitter.
func anything() []string { return []string{"anything"} }

// night are quiet hours.
func night() Options { return Options{Quiet: Quiet{From: "22:30", Until: "06:30"}} }

func stories() map[string]story {
	return map[string]story{
		"told at once": {acts: []act{{0, raise(Near, "n")}}, want: []string{"0 phone p3 n"}, stored: []string{"n/phone/0 sent"}, end: func(h *house) {
			n := h.store.all()[0]
			assert.Equal(h.t, []any{"200 taken", 1}, []any{n.Answer, n.Attempts})
		}},
		"told again ever sooner, by more channels, and not for ever": {post: 2, acts: []act{{0, raise(Over, "o")}}, lasts: 12 * time.Hour, want: []string{
			"0 phone p4 o", "10 phone p5 Still not answered, message 2. o", "17 phone p5 Still not answered, message 3. o", "17 post p5 Still not answered, message 3. o",
			"22 phone p5 Still not answered, message 4. o", "22 post p5 Still not answered, message 4. o", "27 phone p5 Still not answered, message 5. o", "27 post p5 Still not answered, message 5. o"}},
		"an answer ends it, and the page shows newer words all the same": {lasts: 5 * time.Hour, acts: []act{{0, raise(Over, "o")}, {15 * mins, func(h *house) {
			h.ack("o")
			h.change(WasEscalated, Over, "o", "newer")
			_, err := h.manager.Ack(context.Background(), "nothing", "page")
			assert.ErrorIs(h.t, err, ErrUnknownAlarm)
		}}}, want: []string{"0 phone p4 o", "10 phone p5 Still not answered, message 2. o"}, end: func(h *house) {
			a := h.store.alarm("o")
			assert.Equal(h.t, []any{Acknowledged, "page", "newer"}, []any{a.State, a.AckedBy, a.Text})
		}},
		"a snooze ends": {lasts: 3 * time.Hour, acts: []act{{0, raise(LevelsOff, "l")}, {time.Second, func(h *house) {
			_, err := h.manager.Snooze(context.Background(), "l", "push", 45*mins)
			require.NoError(h.t, err)
		}}}, want: []string{"0 phone p3 l", "45 phone p3 l"}},
		"a dead network piles nothing up": {lasts: 2 * time.Hour, acts: []act{{0, down}, {0, raise(Over, "o")}, {90 * mins, up}},
			want: []string{"phone p5 This message is 1 h 3x min late. Still not answered, message 5. o"}},
		"a dead network is tried ever more seldom": {lasts: time.Hour, acts: []act{{0, down}, {0, raise(Near, "n")}, {39 * mins, func(h *house) {
			n := h.store.all()[0]
			assert.Equal(h.t, []any{Waiting, "no route to host"}, []any{n.State, n.Answer})
			assert.InDelta(h.t, 14, n.Attempts, 4, "5, 10, 20, 40, 80, 160 s, then every 5 minutes, with jitter")
			_, failing := h.manager.Deliveries()
			assert.Equal(h.t, []string{"phone"}, failing)
			assert.Less(h.t, time.Since(h.manager.Beat()), time.Minute)
		}}, {40 * mins, up}}, want: []string{"phone p3 This message is 4x min late. n"}},
		"the order is kept": {lasts: time.Hour, acts: []act{{0, down}, {0, raise(LevelsOff, "z")}, {mins, raise(LevelsOff, "a")}, {2 * mins, raise(LevelsOff, "m")}, {3 * mins, up}},
			want: anything(), end: func(h *house) {
				assert.Equal(h.t, []string{"z", "a", "m"}, []string{h.took[0].Title, h.took[1].Title, h.took[2].Title})
			}},
		"asked to wait": {phone: once(&Failure{Answer: "429 slow down", RetryAfter: 7 * mins}), lasts: time.Hour, acts: []act{{0, raise(Near, "n")}}, want: []string{"7 phone p3 This message is x min late. n"}},
		"refused for good: the channel meant for later has it at once": {phone: func(context.Context, Message, int) error { return finalf("403 no") }, post: 2,
			acts: []act{{0, raise(Near, "n")}}, want: []string{"0 post p3 Still not answered, message 3. n"}, stored: []string{"n/phone/0 failed", "n/phone/2 failed", "n/post/2 sent"}},
		"a channel that hangs holds up no other": {phone: hang, post: 1, acts: []act{{0, raise(Over, "o")}}, lasts: 11 * mins,
			want: []string{"10 post p5 Still not answered, message 2. o"}, end: func(h *house) {
				before := time.Now()
				h.stop()
				assert.Zero(h.t, time.Since(before), "stopping does not wait for it")
				for _, n := range h.store.all() {
					assert.Contains(h.t, []string{"no answer within 30s", "200 taken"}, n.Answer)
				}
			}},
		"a panic within a channel": {phone: func(context.Context, Message, int) error { panic("nil map") }, acts: []act{{0, raise(Near, "n")}},
			end: func(h *house) { assert.Equal(h.t, "the channel failed inside: nil map", h.store.all()[0].Answer) }},
		"too old to be of use, unless no clock says so": {lasts: 3 * time.Hour, acts: []act{{0, down}, {0, raise(Near, "n")}, {time.Second, func(h *house) {
			c := h.raised(Near, "x")
			c.ClockSet = false
			h.apply(c)
		}}}, stored: []string{"n/phone/0 expired", "x/phone/0 waiting"}, end: func(h *house) {
			assert.Equal(h.t, "too old to be of use; the last answer was: no route to host", h.store.all()[0].Answer)
		}},
		"what is over is taken back": {acts: []act{{0, down}, {0, raise(TooHot, "hot")}, {mins, func(h *house) { h.change(WasResolved, TooHot, "hot", "hot") }}, {2 * mins, up}},
			stored: []string{"hot/phone/0 withdrawn"}},
		"the end of a lost sensor is told": {acts: []act{{0, raise(SensorLost, "lost")}, {mins, func(h *house) { h.change(WasResolved, SensorLost, "lost", "back") }}},
			want: []string{"0 phone p4 lost", "1 phone p2 back"}, end: func(h *house) {
				assert.Equal(h.t, h.took[0].AlarmID, h.took[1].AlarmID, "so that it can replace the first")
			}},
		"the end of a rise in which the sensor is lost is not": {acts: []act{{0, raise(SensorLost, "lost")}, {mins, func(h *house) { h.change(WasResolved, SensorLost, "lost", "lost") }}},
			want: []string{"0 phone p4 lost"}},
		"said again and again, also of the machine": {acts: slices.Repeat([]act{{0, raise(Near, "n")}, {mins, func(h *house) {
			c := h.raised(ClockNotSet, fmt.Sprint("clock", h.Now().UnixNano()))
			c.Alarm.Vessel, c.Alarm.RiseID, c.Alarm.Text = "", 0, "clock"
			h.apply(c)
		}}}, 3), want: []string{"0 phone p3 n", "1 phone p2 clock"}},
		"fresh figures in what waits, once": {lasts: time.Hour, acts: []act{{0, down}, {0, raise(Near, "n")}, {2 * mins, func(h *house) { h.change(WasRefreshed, Near, "n", "at 18:40") }},
			{2 * mins, up}, {20 * mins, func(h *house) { h.change(WasRefreshed, Near, "n", "at 18:45") }}}, want: []string{"phone p3 at 18:40"}},
		"what the store refuses is told when it takes it": {acts: []act{{0, func(h *house) {
			h.store.broken.Store(true)
			assert.ErrorContains(h.t, h.manager.Apply(context.Background(), []Change{h.raised(Near, "n"), h.raised(Over, "o")}), "disk full")
		}}, {2 * mins, func(h *house) { h.store.broken.Store(false) }}}, lasts: 3 * mins, want: []string{"2 phone p3 n", "2 phone p4 o"}},
		"an answer takes back even what is under way": {lasts: time.Hour, phone: func(ctx context.Context, _ Message, _ int) error {
			time.Sleep(20 * time.Second)
			return errors.New("reset")
		}, acts: []act{{0, raise(Over, "o")}, {time.Second, func(h *house) { h.ack("o") }}}, stored: []string{"o/phone/0 withdrawn"},
			end: func(h *house) { assert.Equal(h.t, 1, h.tries["o/phone/0"]) }},
		"an attempt cut short by a restart has the same ID": {phone: func(ctx context.Context, m Message, attempt int) error {
			if attempt == 1 {
				return hang(ctx, m, attempt)
			}
			return nil
		}, acts: []act{{0, raise(Over, "o")}, {time.Second, func(h *house) {
			h.stop()
			assert.Equal(h.t, []string{"o/phone/0 waiting"}, h.store.states())
			h.run()
		}}}, want: []string{"0 phone p4 o"}, stored: []string{"o/phone/0 sent"}},
		"a channel that is gone": {acts: []act{{0, func(h *house) {
			h.stop()
			require.NoError(h.t, h.store.SaveAlarms(context.Background(), []Alarm{{ID: "x"}}, []Notification{{ID: "x/old/0", AlarmID: "x", Channel: "old", State: Waiting, CreatedAt: h.Now()}}))
			h.run()
		}}}, end: func(h *house) {
			assert.Equal(h.t, `channel "old" is not in the configuration any more`, h.store.all()[0].Answer)
		}},
		"a picture that is not taken is left out": {opts: Options{Picture: func(context.Context, string, int64) ([]byte, error) { return make([]byte, 1000), nil }},
			phone: func(_ context.Context, m Message, _ int) error {
				if m.Picture != nil {
					return &Failure{Answer: "500 no room for attachments"}
				}
				return nil
			}, lasts: 10 * mins, acts: []act{{0, raise(Near, "n")}}, want: []string{"phone p3 n"}, end: func(h *house) { assert.Equal(h.t, 4, h.tries["n/phone/0"]) }},
		"a picture that is too large": {opts: Options{Picture: func(context.Context, string, int64) ([]byte, error) { return make([]byte, maxPicture+1), nil }},
			acts: []act{{0, raise(Near, "n")}}, want: []string{"0 phone p3 n"}, end: func(h *house) { assert.Nil(h.t, h.took[0].Picture) }},
		"in quiet hours only what breaks through; held on purpose is not late": {opts: night(), lasts: 8 * time.Hour, acts: []act{{0, raise(SensorLost, "lost")},
			{60 * mins, raise(OvenHeating, "oven")}, {60*mins + 10*time.Second, func(h *house) { h.ack("oven") }}, {400 * mins, func(h *house) { h.ack("lost") }}},
			want: []string{"60 phone p5 oven", "390 phone p4 lost"}},
	}
}

// clockStories are told for a clock that is set from 1970 to now, and both ways by three
// hours: what waits, is snoozed or told again keeps its span.
func clockStories(by time.Duration) map[string]story {
	set := func(h *house) { h.set(by) }
	return map[string]story{
		"while a message waits": {lasts: 30 * mins, acts: []act{{0, down}, {0, raise(Near, "n")}, {15*mins + 30*time.Second, set}, {20 * mins, up}},
			want: []string{"phone p3 This message is 2x min late. n"}, end: func(h *house) {
				n := h.store.all()[0]
				assert.Equal(h.t, []any{Sent, h.start.Add(by).Unix(), h.start.Add(by).Unix()}, []any{n.State, n.CreatedAt.Unix(), h.took[0].Since.Unix()})
			}},
		"during an attempt": {lasts: 2 * mins, phone: func(ctx context.Context, m Message, attempt int) error {
			if attempt == 1 {
				return hang(ctx, m, attempt)
			}
			return nil
		}, acts: []act{{0, raise(Near, "n")}, {20 * time.Second, set}, {31 * time.Second, func(h *house) {
			n := h.store.all()[0]
			assert.Equal(h.t, []any{Waiting, 1}, []any{n.State, n.Attempts})
			assert.InDelta(h.t, 31, h.Now().Sub(n.CreatedAt).Seconds(), 1)
		}}}, want: []string{"1 phone p3 n"}},
		"while one is snoozed and one not answered": {lasts: 31 * mins, acts: []act{{0, raise(Reached, "quiet")}, {0, raise(Over, "again")}, {time.Second, func(h *house) {
			_, err := h.manager.Snooze(context.Background(), "quiet", "page", 30*mins)
			require.NoError(h.t, err)
		}}, {5*mins + time.Second, set}}, want: []string{"0 phone p4 quiet", "0 phone p4 again", "10 phone p5 Still not answered, message 2. again", "17 phone p5 Still not answered, message 3. again",
			"22 phone p5 Still not answered, message 4. again", "27 phone p5 Still not answered, message 5. again", "30 phone p4 quiet"}},
	}
}

// nights hold messages by the time of day that turns out to be right.
func nights() map[string]story {
	at := func(sleep, by time.Duration, want ...string) story {
		return story{opts: Options{Quiet: Quiet{From: "22:00", Until: "07:00"}}, lasts: 30 * time.Hour, acts: []act{{0, down}, {sleep, raise(SensorSuspect, "s")},
			{sleep + mins, func(h *house) { h.set(by) }}, {sleep + mins, up}}, want: want}
	}
	return map[string]story{
		"night turns out to be evening": at(0, -3*time.Hour, "1 phone p3 s"),
		"night turns out to be noon":    at(0, 12*time.Hour, "1 phone p3 s"),
		"night stays night":             at(0, 2*time.Hour, "300 phone p3 s"),
		"day turns out to be night":     at(20*time.Hour, 3*time.Hour, "1680 phone p3 s"),
	}
}

// TestStories plays what a household hears.
func TestStories(t *testing.T) {
	all := stories()
	maps.Copy(all, nights())
	for name, by := range map[string]time.Duration{"from 1970": 56 * 365 * 24 * time.Hour, "forth": 3 * time.Hour, "back": -3 * time.Hour} {
		for what, s := range clockStories(by) {
			all["the clock is set "+name+" "+what] = s
		}
	}
	for name, s := range all {
		t.Run(name, func(t *testing.T) { synctest.Test(t, s.play) })
	}
}

func (s story) play(t *testing.T) {
	h := &house{t: t, store: newMemStore(), opts: s.opts, start: time.Now(), tries: map[string]int{}}
	h.routes = []Route{{Name: "phone", Deliver: (&line{h, "phone", s.phone}).Deliver, Pictures: true}}
	if s.post > 0 {
		h.routes = append(h.routes, Route{Name: "post", Deliver: (&line{h: h, name: "post"}).Deliver, FromLevel: s.post})
	}
	h.run()
	defer func() { h.stop() }()
	for _, a := range append(s.acts, act{max(s.lasts, 5*mins), func(*house) {}}) {
		time.Sleep(time.Until(h.start.Add(a.at)))
		synctest.Wait()
		a.do(h)
		synctest.Wait()
	}
	h.stop()
	slices.SortStableFunc(h.lines, func(a, b string) int { // two channels in one minute come in any order
		var i, j int
		var r, o string
		_, err := fmt.Sscan(a, &i, &r)
		_, err2 := fmt.Sscan(b, &j, &o)
		require.NoError(t, errors.Join(err, err2))
		return cmp.Or(i-j, cmp.Compare(r, o))
	})
	got := h.lines
	for i, l := range got { // what depends on jitter is left out
		if l = regexp.MustCompile(`\d min late`).ReplaceAllString(l, "x min late"); len(s.want) > 0 && !strings.ContainsAny(s.want[0][:1], "0123456789") {
			_, l, _ = strings.Cut(l, " ")
		}
		got[i] = l
	}
	if !slices.Equal(s.want, anything()) {
		assert.Equal(t, s.want, got)
	}
	if s.stored != nil {
		assert.Equal(t, s.stored, h.store.states())
	}
	if s.end != nil {
		s.end(h)
	}
}

func TestQuietHold(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	q := Quiet{From: "22:30", Until: "06:30", zone: berlin}
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 10, day, hour, minute, 0, 0, berlin) }
	for _, c := range [][2]time.Time{
		{at(20, 22, 29), at(20, 22, 29)}, {at(20, 22, 30), at(21, 6, 30)}, {at(21, 3, 0), at(21, 6, 30)}, {at(21, 6, 30), at(21, 6, 30)},
		{at(24, 23, 0), at(25, 6, 30)}, // the clocks go back in this night
	} {
		assert.True(t, c[1].Equal(q.hold(SensorLost, c[0])), "%s: got %s", c[0], q.hold(SensorLost, c[0]))
		assert.True(t, c[0].Equal(q.hold(OvenHeating, c[0])))
	}
}

// TestButtons offers the answers of a message: what it advises first, and none when it is
// over.
func TestButtons(t *testing.T) {
	m := NewManager(nil, nil, Options{Address: func(verb, id string) string { return "http://kitchen.lan/" + verb + "/" + id }})
	msg := messageOf(Alarm{ID: "hot-1", Kind: TooHot, Tap: bake.EventFridge}, WasRaised, Notification{}, true)
	l := m.links(msg)
	var got []string
	for _, b := range l.Buttons {
		assert.NotContains(t, b.Label, ".", "a label, not a key")
		got = append(got, b.URL)
	}
	assert.Equal(t, []string{"http://kitchen.lan/fridge/hot-1", "http://kitchen.lan/ack/hot-1", "http://kitchen.lan/snooze/hot-1"}, got)
	msg.What = WasResolved
	assert.Empty(t, m.links(msg).Buttons)
}

func TestTestMessage(t *testing.T) {
	h := &house{t: t, tries: map[string]int{}}
	m := NewManager(nil, []Route{{Name: "phone", Deliver: (&line{h: h, name: "phone"}).Deliver}}, Options{})
	answer, err := m.Test(t.Context(), "phone")
	require.NoError(t, err)
	assert.Equal(t, "200 taken", answer)
	assert.Equal(t, testKind, h.took[0].Kind)
	assert.True(t, strings.HasPrefix(h.took[0].Text, "This is a test from tidemark through the channel phone"))
	_, err = m.Test(t.Context(), "pigeon")
	assert.EqualError(t, err, `there is no channel "pigeon"; it must be listed under channels in the configuration`)
}

// TestClockStepTakesPartOfTheTimes moves the times of one run and leaves those of the run
// before.
func TestClockStepTakesPartOfTheTimes(t *testing.T) {
	began := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	m := ClockStep{From: began, Before: began.Add(10 * mins), By: time.Hour}
	at := func(minutes int) time.Time { return began.Add(time.Duration(minutes) * mins) }
	assert.Equal(t, Alarm{Since: at(-1), FiredAt: at(61), SnoozedAt: at(62), SnoozedUntil: at(92)}, m.Alarm(Alarm{Since: at(-1), FiredAt: at(1), SnoozedAt: at(2), SnoozedUntil: at(32)}))
	earlier := Alarm{SnoozedAt: at(-1), SnoozedUntil: at(5)}
	assert.Equal(t, earlier, m.Alarm(earlier), "asked for in the run before: ends by the true time")
	assert.Equal(t, Notification{CreatedAt: at(-1)}, m.Notification(Notification{CreatedAt: at(-1)}))
}

// TestNothingIsLostOrDoubled plays invented evenings in which the network fails for random
// spans, answers get lost on their way back and the process is killed at random moments,
// also between a delivery and its record.
func TestNothingIsLostOrDoubled(t *testing.T) {
	for seed := range uint64(12) {
		synctest.Test(t, func(t *testing.T) { newOrdeal(t, seed).run() })
	}
}

// ordeal is an evening in which everything goes wrong.
type ordeal struct {
	*house
	rng      *rand.Rand
	begun    map[string]time.Time // the first attempt that was taken, by alarm
	raisedID map[string]string    // the ID under which an alarm was told as raised
	answered map[string]time.Time
}

func newOrdeal(t *testing.T, seed uint64) *ordeal {
	o := &ordeal{rng: rand.New(rand.NewPCG(seed, 77)), begun: map[string]time.Time{}, raisedID: map[string]string{}, answered: map[string]time.Time{}}
	o.house = &house{t: t, store: newMemStore(), start: time.Now(), tries: map[string]int{}}
	o.routes = []Route{{Name: "phone", Deliver: (&line{o.house, "phone", o.deliver}).Deliver}}
	o.house.run()
	return o
}

// draw returns a random number below n; deliveries draw too.
func (o *ordeal) draw(n int) int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.rng.IntN(n)
}

// deliver is the way to the server and the server itself.
func (o *ordeal) deliver(ctx context.Context, m Message, _ int) error {
	begun, lag, luck := time.Now(), time.Duration(o.draw(4000))*time.Millisecond, o.draw(10)
	if luck == 0 {
		return &Failure{Answer: "503 try later"}
	}
	time.Sleep(lag)
	o.mu.Lock()
	if _, told := o.begun[m.AlarmID]; !told {
		o.begun[m.AlarmID] = begun
	}
	if was, told := o.raisedID[m.AlarmID]; m.What == WasRaised {
		assert.True(o.t, !told || was == m.ID, "%s is told as %s and %s", m.AlarmID, was, m.ID)
		o.raisedID[m.AlarmID] = m.ID
	}
	at := o.answered[m.AlarmID]
	assert.False(o.t, !at.IsZero() && begun.After(at), "%s after its answer", m.AlarmID)
	o.mu.Unlock()
	time.Sleep(lag) // the answer is on its way back
	if luck == 1 {
		return errors.New("connection reset before the answer came back")
	}
	return ctx.Err()
}

// run lives through an evening, a quarter of a minute at a time. What is raised anew
// resolves what came before it, and is raised again after a kill.
func (o *ordeal) run() {
	var due []Kind
	for step := range 4 * 8 * 60 {
		switch luck := o.draw(1000); {
		case luck < 6: // what a dead process still writes is lost
			o.store = o.store.copy()
			o.stop()
			time.Sleep(time.Duration(o.draw(120)) * time.Second)
			o.house.run()
		case luck < 12:
			o.down.Store(true)
		case luck < 40:
			o.down.Store(false)
		case luck < 45 && len(due) > 0 && o.store.alarm(string(due[len(due)-1])).State == Firing:
			o.ack(string(due[len(due)-1]))
			o.mu.Lock()
			o.answered[string(due[len(due)-1])] = time.Now()
			o.mu.Unlock()
		}
		if next := []Kind{Near, Reached, Over}; len(due) < 3 && step > 240*(1+len(due)) {
			if due = append(due, next[len(due)]); len(due) > 1 {
				old := due[len(due)-2]
				o.change(WasResolved, old, string(old), string(old))
			}
		}
		if len(due) > 0 {
			o.raise(due[len(due)-1], string(due[len(due)-1]))
		}
		time.Sleep(15 * time.Second)
	}
	o.down.Store(false)
	time.Sleep(30 * time.Minute)
	o.stop()
	last := time.Time{}
	for _, k := range due {
		at, told := o.begun[string(k)]
		a := o.store.alarm(string(k))
		assert.True(o.t, told || a.State == Acknowledged || a.AckedBy != "" || a.State == Resolved, "%s is lost: %v", k, o.store.states())
		assert.False(o.t, told && at.Before(last), "%s out of order", k)
		last = at
	}
}
