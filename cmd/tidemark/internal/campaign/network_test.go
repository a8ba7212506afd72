package campaign

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"sync"
	"time"

	"tidemark/alert"
)

// What the notifications are held to.
const (
	// reachedWithin is how long a way must be open for a notification to get through: a
	// queue that has failed rests for five minutes and a quarter, and others go first.
	reachedWithin = 10 * time.Minute
	calmAfter     = 30 * time.Minute // how long the network stays well at the end
	isNews        = 2 * time.Hour    // how long a warning is worth its notification at least
)

// errUnheard is that a service took a notification and its answer was lost.
var errUnheard = errors.New("connection reset before the answer came back")

// answers returns how a service on the way may answer when it is not well.
func answers() []error {
	return []error{errors.New("connection refused"), &alert.Failure{Answer: "500 internal server error"}, &alert.Failure{Answer: "503 try later", RetryAfter: 2 * time.Minute}, errUnheard}
}

// service is the far end of one way to the household, by the kitchen's clock.
type service struct {
	name string
	bad  []stretch
	how  []error // it answers in each

	mu   sync.Mutex
	now  time.Time
	took []arrival
}

// arrival is a notification that a service took.
type arrival struct {
	id, alarm string
	what      alert.What
	at        time.Time
	unheard   bool // its answer was lost
}

// answer tells how it is at a moment.
func (s *service) answer(at time.Time) error {
	for i, b := range s.bad {
		if b.holds(at) {
			return s.how[i]
		}
	}
	return nil
}

// Deliver answers as it is at the moment.
func (s *service) Deliver(_ context.Context, m alert.Message) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.answer(s.now)
	if err == nil || errors.Is(err, errUnheard) {
		s.took = append(s.took, arrival{m.ID, m.AlarmID, m.What, s.now, err != nil})
	}
	return "200", err
}

// news is one warning as it was raised.
type news struct {
	alert.Alarm
	raised   time.Time
	answer   time.Time // when people will answer it; zero for never, or done
	answered time.Time
}

// badNetwork plays a day on which the ways to the household fail for minutes to hours
// and in every way, one of them or both. The watch goes on; a notification comes, once,
// unless its warning was answered or over before a way was open.
func badNetwork(r *row) {
	r.tried++
	s := story(0)
	ways := []*service{{name: "phone"}, {name: "mail"}}
	for at := s.Start; at.Before(s.Until); {
		at = at.Add(5*time.Minute + r.upTo(50*time.Minute))
		b, how, which := stretch{at, at.Add(2*time.Minute + r.upTo(150*time.Minute))}, answers()[r.dice.IntN(4)], r.dice.IntN(6)
		if at = b.until; at.After(s.Until) {
			b.until = s.Until
		}
		for i, w := range ways {
			if which > 1 || which == i {
				w.bad, w.how = append(w.bad, b), append(w.how, how)
			}
		}
	}
	var all []*news
	var d *day
	people := func(now time.Time) { // they answer
		for _, w := range ways {
			w.mu.Lock()
			w.now = now
			w.mu.Unlock()
		}
		for _, n := range all {
			if due := !n.answer.IsZero() && !now.Before(n.answer); due {
				if n.answer = (time.Time{}); d.watch.act("ack", n.Vessel, n.ID) {
					n.answered = now
				}
			}
		}
	}
	tell := func(time.Time) { // as the live watch does beside
		for d.watch.tell(); d.watch.app.Telling() > 0; {
			runtime.Gosched()
		}
	}
	dir, remove := tempDir()
	defer remove()
	d = openDay(dir, s.Start, 0, trouble{before: people, after: tell, raised: func(a alert.Alarm) {
		n := &news{Alarm: a, raised: d.now}
		if r.dice.IntN(2) == 0 {
			n.answer = d.now.Add(time.Minute + r.upTo(40*time.Minute))
		}
		all = append(all, n)
	}, routes: []alert.Route{{Name: "phone", Pictures: true, Deliver: ways[0].Deliver}, {Name: "mail", Deliver: ways[1].Deliver}}})
	d.run(s.Until)
	for end := d.now.Add(calmAfter); d.now.Before(end); { // let what is left be delivered
		d.now = d.now.Add(stepEvery)
		d.watch.set(d.now, 0)
		people(d.now)
		tell(d.now)
	}
	if n := d.watch.unsent(); n > 0 {
		r.count(&r.missed, "%d notifications wait or failed at the end", n)
	}
	d.watch.close()
	got := ledger{records(dir), d.heard}
	r.compare(r.plain.kept(), got.kept(), anyTime)
	r.holdRises(got.rises, 0)
	r.holdRows(got.rises, false)
	for _, rise := range got.rises { // how every warning ended
		for _, a := range rise.alarms {
			if i := slices.IndexFunc(all, func(n *news) bool { return n.ID == a.ID }); i >= 0 {
				all[i].Alarm = a
			}
		}
	}
	for _, w := range ways {
		r.noted["notifications"] += len(w.took)
		r.holdArrivals(w, all)
		for _, n := range all {
			r.holdNews(w, n, d.now)
		}
	}
}

// holdArrivals counts as false the notifications that came twice, or after the warning
// was answered or over. The same one may come again when its answer was lost: it has
// the same ID, so that it replaces the first.
func (r *row) holdArrivals(w *service, all []*news) {
	heard, first := map[string]bool{}, map[string]string{}
	for _, a := range w.took {
		wrong := func(bad bool, what string) {
			if bad {
				r.count(&r.tooMany, "notification %s %s, sent %s by %s", a.id, what, a.at.Format(time.TimeOnly), w.name)
			}
		}
		wrong(heard[a.id], "came again although its answer was heard")
		heard[a.id] = !a.unheard
		if a.what == alert.WasRaised {
			wrong(first[a.alarm] != "" && first[a.alarm] != a.id, "came as news a second time")
			first[a.alarm] = a.id
		}
		for _, n := range all {
			if n.ID == a.alarm {
				wrong(!n.answered.IsZero() && !a.at.Before(n.answered), "was sent after the answer")
				wrong(a.what != alert.WasResolved && !n.ResolvedAt.IsZero() && !a.at.Before(n.ResolvedAt), "was sent after its warning was over")
			}
		}
	}
}

// holdNews counts a warning as missed that did not come through a way that was open
// for long enough while it was of use.
func (r *row) holdNews(w *service, n *news, end time.Time) {
	for _, t := range []time.Time{n.raised.Add(isNews), n.ResolvedAt, n.answered} {
		if !t.IsZero() && t.Before(end) {
			end = t
		}
	}
	open := time.Duration(0)
	for at := n.raised; at.Before(end) && open < reachedWithin; at = at.Add(stepEvery) {
		if open += stepEvery; w.answer(at) != nil {
			open = 0
		}
		if open >= reachedWithin && !slices.ContainsFunc(w.took, func(a arrival) bool { return a.alarm == n.ID && !a.at.After(at) }) {
			r.count(&r.missed, "%s of %s, raised %s, did not come by %s until %s", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), w.name, at.Format(time.TimeOnly))
		}
	}
}
