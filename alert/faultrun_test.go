package alert

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// campaignRises is how many invented rises the fault run goes through; the full
// run is go test -run FaultRun -v -rises 1000 ./alert.
var campaignRises = flag.Int("rises", 25, "rises in the fault run")

// tally is what a fault run counts.
type tally struct {
	Rises, Kills, Outages                           int
	Due, Delivered, Late                            int
	Overtaken, AnsweredFirst, Lost                  int
	Notifications, SameIDAgain, DoubleNotifications int
	AfterAnswer, OutOfOrder                         int
}

// TestFaultRun plays rises through rules and manager while the network
// fails for random spans, answers get lost on the way back and the process is
// killed at random moments, also between a delivery and its record.
func TestFaultRun(t *testing.T) {
	var sum tally
	for seed := range uint64(*campaignRises) {
		synctest.Test(t, func(t *testing.T) {
			r := newOrdeal(seed)
			r.run(t)
			r.count(t, &sum)
		})
	}
	t.Logf("fault run over %d invented rises\n%s", sum.Rises, sum)
	assert.Equal(t, *campaignRises, sum.Rises)
	assert.Zero(t, sum.Lost)
	assert.Zero(t, sum.DoubleNotifications)
	assert.Zero(t, sum.AfterAnswer)
	assert.Zero(t, sum.OutOfOrder)
	assert.NotZero(t, sum.Kills)
	assert.NotZero(t, sum.Late)
	assert.NotZero(t, sum.SameIDAgain)
}

// String is the table of a fault run.
func (s tally) String() string {
	var b strings.Builder
	for _, row := range []struct {
		what string
		n    int
	}{
		{"processes killed", s.Kills}, {"network outages", s.Outages}, {"warnings due", s.Due}, {"  delivered", s.Delivered},
		{"    of these more than 5 min late", s.Late}, {"  overtaken by the next one while the network was down", s.Overtaken},
		{"  answered on the page before they could be sent", s.AnsweredFirst}, {"  lost", s.Lost},
		{"notifications taken by the server", s.Notifications}, {"  again with the same ID (replaces)", s.SameIDAgain},
		{"  again with another ID (a double)", s.DoubleNotifications}, {"sent after the answer", s.AfterAnswer}, {"out of order", s.OutOfOrder},
	} {
		fmt.Fprintf(&b, "%-56s %6d\n", row.what, row.n)
	}
	return b.String()
}

// ordeal is one rise with everything that goes wrong in it.
type ordeal struct {
	rng     *rand.Rand
	disk    *MemStore
	start   time.Time
	mark    time.Duration // from the start
	slope   float64       // percent an hour
	outages [][2]time.Duration
	kills   []time.Duration
	answers map[Kind]time.Duration // how long after the raise a person answers
	in      Input

	mu       sync.Mutex
	took     []taken
	answered map[string]time.Time
	raisedAt map[string]time.Time
	order    []string
}

// taken is one message the server has taken.
type taken struct {
	id, alarm string
	kind      Kind
	what      What
	begun     time.Time
}

// newOrdeal makes a rise up.
func newOrdeal(seed uint64) *ordeal {
	rng := rand.New(rand.NewPCG(seed, 77))
	o := &ordeal{rng: rng, disk: NewMemStore(), start: time.Now(), answers: map[Kind]time.Duration{},
		answered: map[string]time.Time{}, raisedAt: map[string]time.Time{}}
	o.mark = time.Duration(90+rng.IntN(120)) * time.Minute
	o.slope = 15 + 25*rng.Float64()
	for range rng.IntN(5) {
		from := time.Duration(rng.IntN(360)) * time.Minute
		o.outages = append(o.outages, [2]time.Duration{from, from + time.Duration(1+rng.IntN(90))*time.Minute})
	}
	for range rng.IntN(6) {
		o.kills = append(o.kills, time.Duration(rng.IntN(7*3600))*time.Second)
	}
	for _, k := range []Kind{Near, Reached, Over} {
		if rng.IntN(3) == 0 {
			o.answers[k] = time.Duration(1+rng.IntN(40)) * time.Minute
		}
	}
	o.in = Input{RiseID: int64(seed) + 1, State: bake.State{Vessel: "tub", Holds: estimator.Dough, Lead: 30 * time.Minute, OverPercent: 125, ColdPercent: 143},
		System: System{ClockSet: true, DiskFreeRatio: math.NaN()}}
	return o
}

// down reports whether the network is out.
func (o *ordeal) down() bool {
	since := time.Since(o.start)
	for _, out := range o.outages {
		if since >= out[0] && since < out[1] {
			return true
		}
	}
	return false
}

// Deliver is the way to the server and the server itself.
func (o *ordeal) Deliver(ctx context.Context, m Message) (string, error) {
	begun := time.Now()
	o.mu.Lock()
	lag := time.Duration(o.rng.IntN(4000)) * time.Millisecond
	luck := o.rng.IntN(10)
	o.mu.Unlock()
	if o.down() {
		return "", errors.New("network is unreachable")
	}
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case <-time.After(lag):
	}
	if luck == 0 {
		return "", &Failure{Answer: "503 try later"}
	}
	o.mu.Lock()
	o.took = append(o.took, taken{m.ID, m.AlarmID, m.Kind, m.What, begun})
	o.mu.Unlock()
	if luck == 1 {
		return "", errors.New("connection reset before the answer came back")
	}
	select { // the answer is on its way back
	case <-ctx.Done():
		return "", ctx.Err()
	case <-time.After(lag):
		return "200", nil
	}
}

func (o *ordeal) Close() error { return nil }

// mortal is the disk as one process sees it: after its death nothing is written.
type mortal struct {
	*MemStore
	dead atomic.Bool
}

// errDead is what a dead process gets; nobody sees it.
var errDead = errors.New("killed")

func (m *mortal) SaveAlarm(ctx context.Context, a Alarm, l []Notification) error {
	if m.dead.Load() {
		return errDead
	}
	return m.MemStore.SaveAlarm(ctx, a, l)
}

func (m *mortal) SaveNotification(ctx context.Context, l Notification) error {
	if m.dead.Load() {
		return errDead
	}
	return m.MemStore.SaveNotification(ctx, l)
}

// life is one process, from start to kill.
type life struct {
	disk    *mortal
	watch   *Evaluator
	manager *Manager
	end     func()
}

// begin starts a process on the disk as it is.
func (o *ordeal) begin(t *testing.T) *life {
	l := &life{disk: &mortal{MemStore: o.disk}, watch: NewEvaluator(text.New(text.Locale{}), 0)}
	routes := []Route{{Name: "phone", Channel: o}}
	l.manager = NewManager(l.disk, routes, Options{})
	alarms, err := l.manager.Alarms(t.Context())
	require.NoError(t, err)
	l.watch.Restore(alarms)
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { l.manager.Run(ctx) })
	l.end = func() { l.disk.dead.Store(true); cancel(); done.Wait() }
	return l
}

// run lives through eight hours, half a minute at a time.
func (o *ordeal) run(t *testing.T) {
	const step = 30 * time.Second
	l := o.begin(t)
	defer func() { l.end() }()
	for time.Since(o.start) < 10*time.Hour {
		if o.killedNow(step) {
			l.end()
			time.Sleep(time.Duration(o.rng.IntN(120)) * time.Second) // the service manager starts it again
			l = o.begin(t)
		}
		o.in.At = time.Now()
		o.in.Estimate = o.estimate()
		changes := l.watch.Evaluate(o.in)
		o.noteRaised(changes)
		require.NoError(t, l.manager.Apply(t.Context(), changes))
		o.answer(t, l)
		time.Sleep(step)
	}
}

// killedNow reports whether a kill falls into this step, and moves the clock to
// its moment.
func (o *ordeal) killedNow(step time.Duration) bool {
	since := time.Since(o.start)
	for i, at := range o.kills {
		if at >= since && at < since+step {
			o.kills[i] = -1
			time.Sleep(at - since)
			return true
		}
	}
	return false
}

// noteRaised remembers what is due. A kill before Apply has stored it makes the
// rules say it again, under the same ID.
func (o *ordeal) noteRaised(changes []Change) {
	for _, c := range changes {
		if _, known := o.raisedAt[c.Alarm.ID]; c.What == WasRaised && !known {
			o.raisedAt[c.Alarm.ID] = time.Now()
			o.order = append(o.order, c.Alarm.ID)
		}
	}
}

// answer is the person at the page.
func (o *ordeal) answer(t *testing.T, l *life) {
	alarms, err := l.manager.Alarms(t.Context())
	require.NoError(t, err)
	for _, a := range alarms {
		wait, will := o.answers[a.Kind]
		if !will || a.State != Firing || time.Since(a.FiredAt) < wait {
			continue
		}
		_, err := l.manager.Ack(t.Context(), a.ID, "page")
		require.NoError(t, err)
		o.answered[a.ID] = time.Now()
	}
}

// estimate is the invented rise now.
func (o *ordeal) estimate() estimator.Estimate {
	now := time.Now()
	ready := o.start.Add(o.mark)
	hours := now.Sub(ready).Hours()
	e := estimator.Estimate{
		Time: now, Started: o.start.Add(-time.Hour), RisePercent: 100 + o.slope*math.Min(hours, 2), RiseSD: 1, DoughC: 25, AirC: 22, TargetPercent: 100,
		Even:             ready,
		Ready:            estimator.Window{From: ready.Add(-10 * time.Minute), Median: ready, Until: ready.Add(10 * time.Minute)},
		CarryOverPercent: math.NaN(), CeilingPercent: 150, PeakPercent: 100, Phase: estimator.Rising, Quality: estimator.QualityOK, LastSeen: now,
	}
	switch {
	case hours >= 2:
		e.Phase, e.ReadyIsPast, e.Exhausted = estimator.Over, true, true
	case hours >= 0:
		e.Phase, e.ReadyIsPast = estimator.Ready, true
	}
	return e
}

// count adds a rise to the tally.
func (o *ordeal) count(t *testing.T, s *tally) {
	s.Rises++
	s.Outages += len(o.outages)
	for _, k := range o.kills {
		if k < 0 {
			s.Kills++
		}
	}
	require.Len(t, o.order, 3, "near, reached and over are due in every rise")
	firsts := o.countNotifications(s)
	last := time.Time{}
	for _, id := range o.order {
		s.Due++
		first, delivered := firsts[id]
		a := alarmOf(t, o.disk, id)
		switch {
		case delivered:
			s.Delivered++
			if first.Sub(o.raisedAt[id]) > lateAfter {
				s.Late++
			}
			if first.Before(last) {
				s.OutOfOrder++
			}
			last = first
		case !o.answered[id].IsZero():
			s.AnsweredFirst++
		case a.State == Resolved && a.Kind != Over:
			s.Overtaken++
		default:
			s.Lost++
			t.Logf("lost: %s, notifications %v", id, states(o.disk))
		}
	}
}

// countNotifications counts what the server took and returns the first of each alarm.
func (o *ordeal) countNotifications(s *tally) map[string]time.Time {
	firsts, seen, news := map[string]time.Time{}, map[string]bool{}, map[Kind]string{}
	for _, m := range o.took {
		s.Notifications++
		if seen[m.id] {
			s.SameIDAgain++
		}
		seen[m.id] = true
		if _, ok := firsts[m.alarm]; !ok {
			firsts[m.alarm] = m.begun
		}
		if other, told := news[m.kind]; m.what == WasRaised {
			if told && other != m.id { // the same news as something new
				s.DoubleNotifications++
			}
			news[m.kind] = m.id
		}
		if at := o.answered[m.alarm]; !at.IsZero() && m.begun.After(at) {
			s.AfterAnswer++
		}
	}
	return firsts
}
