package campaign

import (
	"context"
	"errors"
	"fmt"
	"os"
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

// ways are the names of the routes to the household.
func ways() []string { return []string{"phone", "mail"} }

// answer is how a service on the way answers; the zero value is well.
type answer int

const (
	refused answer = iota + 1 // nobody listens
	broken                    // it answers 500
	busy                      // it answers 503 and asks to wait
	unheard                   // it takes the notification and its answer is lost
)

// spell is a stretch of bad answers on one route, or on all.
type spell struct {
	stretch
	route string // empty for all
	how   answer
}

// arrival is a notification that a service took.
type arrival struct {
	route, id, alarm string
	what             alert.What
	at               time.Time
	unheard          bool // its answer was lost
}

// town is the world beyond the machine, by the kitchen's clock.
type town struct {
	spells []spell

	mu   sync.Mutex
	now  time.Time
	took []arrival
}

// answer tells how a route is at a moment.
func (o *town) answer(route string, at time.Time) answer {
	for _, s := range o.spells {
		if (s.route == "" || s.route == route) && s.holds(at) {
			return s.how
		}
	}
	return 0
}

// service is the far end of one route.
type service struct {
	name string
	town *town
}

// Deliver answers as the spell of the moment says.
func (s *service) Deliver(_ context.Context, m alert.Message) (string, error) {
	s.town.mu.Lock()
	defer s.town.mu.Unlock()
	how := s.town.answer(s.name, s.town.now)
	switch how {
	case refused:
		return "", errors.New("connection refused")
	case broken:
		return "", &alert.Failure{Answer: "500 internal server error"}
	case busy:
		return "", &alert.Failure{Answer: "503 try later", RetryAfter: 2 * time.Minute}
	}
	s.town.took = append(s.town.took, arrival{s.name, m.ID, m.AlarmID, m.What, s.town.now, how == unheard})
	if how == unheard {
		return "", errors.New("connection reset before the answer came back")
	}
	return "200", nil
}

// Close does nothing.
func (s *service) Close() error { return nil }

// news is one warning as it was raised.
type news struct {
	alert.Alarm
	raised   time.Time
	answer   time.Time // when people will answer it; zero for never, or done
	answered time.Time
}

// badNetwork plays days on which the ways to the household fail for minutes to hours
// and in every way. The watch goes on; a notification comes, once, unless its warning
// was answered or over before a way was open.
func badNetwork(c *campaign, r *result, trials int) {
	taken := 0
	for ; r.trials < trials; r.trials++ {
		taken += c.networkDay(r)
	}
	r.note = fmt.Sprintf("notifications taken %d", taken)
}

func (c *campaign) networkDay(r *result) (taken int) {
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	s := story()
	world := &town{now: s.Start}
	for at := s.Start; at.Before(s.Until); {
		at = at.Add(time.Duration(5+c.dice.IntN(50)) * time.Minute)
		n := spell{stretch: stretch{at, at.Add(time.Duration(2+c.dice.IntN(150)) * time.Minute)}, how: answer(1 + c.dice.IntN(int(unheard)))}
		if c.dice.IntN(3) == 0 {
			n.route = ways()[c.dice.IntN(len(ways()))]
		}
		if n.until.After(s.Until) {
			n.until = s.Until
		}
		world.spells = append(world.spells, n)
		at = n.until
	}
	var routes []alert.Route
	for _, way := range ways() {
		routes = append(routes, alert.Route{Name: way, Pictures: way == "phone", Channel: &service{way, world}})
	}
	var all []*news
	var d *day
	before := func(now time.Time) { // people answer
		world.mu.Lock()
		world.now = now
		world.mu.Unlock()
		for _, n := range all {
			if due := !n.answer.IsZero() && !now.Before(n.answer); due {
				if n.answer = (time.Time{}); d.watch.act("ack", n.Vessel, n.ID) {
					n.answered = now
				}
			}
		}
	}
	after := func(time.Time) { // as the live watch does beside
		for d.watch.tell(); d.watch.telling() > 0; {
			runtime.Gosched()
		}
	}
	d = openDay(dir, s.Start, 0, trouble{routes: routes, before: before, after: after, raised: func(a alert.Alarm) {
		n := &news{Alarm: a, raised: world.now}
		if c.dice.IntN(2) == 0 {
			n.answer = world.now.Add(time.Duration(1+c.dice.IntN(40)) * time.Minute)
		}
		all = append(all, n)
	}})
	d.run(s.Until)
	for end := d.now.Add(calmAfter); d.now.Before(end); { // let what is left be delivered
		d.now = d.now.Add(stepEvery)
		d.machine.set(d.now, 0)
		before(d.now)
		after(d.now)
	}
	if n := d.watch.unsent(); n > 0 {
		r.miss("%d notifications wait or failed at the end", n)
	}
	d.watch.close()
	got := ledger{records(dir), d.heard}
	r.compare(c.plain.kept(), got.kept(), anyTime)
	r.countRises(got.rises, asTold)
	r.gaps(got.rises, false)
	for _, rise := range got.rises { // how every warning ended
		for _, a := range rise.alarms {
			if i := slices.IndexFunc(all, func(n *news) bool { return n.ID == a.ID }); i >= 0 {
				all[i].Alarm = a
			}
		}
	}
	r.holdArrivals(world, all)
	for _, way := range ways() {
		for _, n := range all {
			r.holdNews(world, way, n, d.now)
		}
	}
	return len(world.took)
}

// holdArrivals counts as false the notifications that came twice, or after the warning
// was answered or over. The same one may come again when its answer was lost: it has
// the same ID, so that it replaces the first.
func (r *result) holdArrivals(world *town, all []*news) {
	type key struct{ route, id string }
	heard, first := map[key]bool{}, map[key]string{}
	for _, a := range world.took {
		wrong := func(bad bool, what string) {
			if bad {
				r.extra("notification %s %s, sent %s by %s", a.id, what, a.at.Format(time.TimeOnly), a.route)
			}
		}
		wrong(heard[key{a.route, a.id}], "came again although its answer was heard")
		heard[key{a.route, a.id}] = !a.unheard
		if a.what == alert.WasRaised {
			other, told := first[key{a.route, a.alarm}]
			wrong(told && other != a.id, "came as news a second time")
			first[key{a.route, a.alarm}] = a.id
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
func (r *result) holdNews(world *town, way string, n *news, end time.Time) {
	for _, t := range []time.Time{n.raised.Add(isNews), n.ResolvedAt, n.answered} {
		if !t.IsZero() && t.Before(end) {
			end = t
		}
	}
	open := time.Duration(0)
	for at := n.raised; at.Before(end) && open < reachedWithin; at = at.Add(stepEvery) {
		if open += stepEvery; world.answer(way, at) != 0 {
			open = 0
		}
		if open >= reachedWithin && !slices.ContainsFunc(world.took, func(a arrival) bool {
			return a.route == way && a.alarm == n.ID && !a.at.After(at)
		}) {
			r.miss("%s of %s, raised %s, did not come by %s until %s", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), way, at.Format(time.TimeOnly))
		}
	}
}
