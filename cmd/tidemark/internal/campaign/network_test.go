package campaign

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"tidemark/alert"
)

// What the notifications are held to.
const (
	// reachedWithin is how long a way must be open for a notification to get through: a queue
	// that has failed rests for five minutes and a quarter, and other notifications go first.
	reachedWithin = 10 * time.Minute
	calmAfter     = 30 * time.Minute // how long the network stays well at the end
	nearIsNews    = 2 * time.Hour    // how long a warning is worth its notification at least
	elseIsNews    = 3 * time.Hour
)

// ways are the names of the routes to the household.
func ways() []string { return []string{"phone", "mail"} }

// answer is how a service on the way answers.
type answer int

const (
	fine    answer = iota
	slow           // it takes the notification, after a while
	refused        // nobody listens
	silent         // it takes the connection and never answers
	broken         // it answers 500
	busy           // it answers 503 and asks to wait
	unheard        // it takes the notification and its answer is lost
)

// holds tells whether notifications are kept from being told.
func (a answer) holds() bool { return a != fine && a != slow }

// spell is a stretch of bad answers on one route, or on all.
type spell struct {
	route       string // empty for all
	from, until time.Time
	how         answer
}

// arrival is a notification that a service took.
type arrival struct {
	route, id, alarm string
	what             alert.What
	begun            time.Time // when the delivery began
	unheard          bool      // its answer was lost
}

// town is the world beyond the machine, by the kitchen's clock.
type town struct {
	spells []spell

	mu     sync.Mutex
	now    time.Time
	parked map[chan struct{}]time.Time // deliveries that wait for their answer, and until when
	took   []arrival
}

// answer tells how a route is at a moment.
func (o *town) answer(route string, at time.Time) answer {
	for _, s := range o.spells {
		if (s.route == "" || s.route == route) && !at.Before(s.from) && at.Before(s.until) {
			return s.how
		}
	}
	return fine
}

// goOn lets the world go on to a moment: deliveries get the answers that are due.
func (o *town) goOn(now time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.now = now
	for answer, due := range o.parked {
		if !due.After(now) {
			close(answer)
			delete(o.parked, answer)
		}
	}
}

// waiting counts the deliveries that wait for an answer.
func (o *town) waiting() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.parked)
}

// service is the far end of one route.
type service struct {
	name string
	town *town
	dice *rand.Rand
}

// Deliver answers as the spell of the moment says.
func (s *service) Deliver(ctx context.Context, m alert.Message) (string, error) {
	s.town.mu.Lock()
	begun := s.town.now
	s.town.mu.Unlock()
	how := s.town.answer(s.name, begun)
	switch how {
	case refused:
		return "", errors.New("connection refused")
	case broken:
		return "", &alert.Failure{Answer: "500 internal server error"}
	case busy:
		return "", &alert.Failure{Answer: "503 try later", RetryAfter: 2 * time.Minute}
	case silent:
		return "", errors.Join(s.park(ctx, 30*time.Second), errors.New("no answer in time"))
	case slow:
		if err := s.park(ctx, time.Duration(5+s.dice.IntN(20))*time.Second); err != nil {
			return "", err
		}
	}
	s.town.mu.Lock()
	defer s.town.mu.Unlock()
	s.town.took = append(s.town.took, arrival{s.name, m.ID, m.AlarmID, m.What, begun, how == unheard})
	if how == unheard {
		return "", errors.New("connection reset before the answer came back")
	}
	return "200", nil
}

// park waits for a span of the kitchen's time.
func (s *service) park(ctx context.Context, span time.Duration) error {
	answer := make(chan struct{})
	s.town.mu.Lock()
	s.town.parked[answer] = s.town.now.Add(span)
	s.town.mu.Unlock()
	select {
	case <-answer:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
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

// post is a day with ways to the household.
type post struct {
	*day
	town *town
	all  []*news
	sum  struct{ notifications, again, late, overtaken int }
}

// badNetwork plays days on which the ways to the household fail for minutes to hours
// and in every way. The watch goes on; a notification comes once and in the order of the
// warnings, unless it was answered or overtaken while no way was open.
func badNetwork(c *campaign, r *result, trials int) {
	var p post
	for n := range trials {
		c.networkDay(r, &p, n%3 == 0)
	}
	r.note = fmt.Sprintf("notifications taken %d, of these again with the same ID after a lost answer %d; warnings late by the network %d, answered or over before a way was open %d",
		p.sum.notifications, p.sum.again, p.sum.late, p.sum.overtaken)
}

func (c *campaign) networkDay(r *result, p *post, long bool) {
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	s := story()
	p.all, p.town = nil, &town{now: s.Start, parked: map[chan struct{}]time.Time{}}
	if long { // on all routes over two warnings of the jar, so that both notifications wait when it ends
		p.town.spells = []spell{{from: s.Start.Add(time.Duration(180+c.dice.IntN(20)) * time.Minute), until: s.Start.Add(time.Duration(252+c.dice.IntN(6)) * time.Minute), how: refused}}
	}
	for at := s.Start; at.Before(s.Until); {
		at = at.Add(time.Duration(5+c.dice.IntN(50)) * time.Minute)
		n := spell{from: at, until: at.Add(time.Duration(2+c.dice.IntN(150)) * time.Minute), how: answer(1 + c.dice.IntN(int(unheard)))}
		if c.dice.IntN(3) == 0 {
			n.route = ways()[c.dice.IntN(len(ways()))]
		}
		if n.until.After(s.Until) {
			n.until = s.Until
		}
		p.town.spells = append(p.town.spells, n)
		at = n.until
	}
	var routes []alert.Route
	for _, way := range ways() {
		routes = append(routes, alert.Route{Name: way, Pictures: way == "phone", Channel: &service{way, p.town, rand.New(rand.NewPCG(c.dice.Uint64(), 1))}})
	}
	p.day = openDay(dir, s.Start, 0, trouble{routes: routes, before: p.before, after: p.after, raised: func(now time.Time, a alert.Alarm) {
		n := &news{Alarm: a, raised: now}
		if c.dice.IntN(2) == 0 {
			n.answer = now.Add(time.Duration(1+c.dice.IntN(40)) * time.Minute)
		}
		p.all = append(p.all, n)
	}})
	p.run(s.Until)
	for end := p.now.Add(calmAfter); p.now.Before(end); { // let what is left be delivered
		p.now = p.now.Add(stepEvery)
		p.machine.set(p.now, 0)
		p.before(p.now)
		p.after(p.now)
	}
	if n := p.watch.unsent(); n > 0 {
		r.miss("%d notifications wait or failed at the end", n)
	}
	p.watch.close()
	r.trials++
	got := records(dir)
	r.compare(c.plain.warnings(), ledger{rises: got}.warnings())
	r.countRises(got, asTold)
	r.gaps(got, false)
	for _, rise := range got { // how every warning ended
		for _, a := range rise.alarms {
			for _, n := range p.all {
				if n.ID == a.ID {
					n.Alarm = a
				}
			}
		}
	}
	p.countArrivals(r)
	for _, way := range ways() {
		p.countNews(r, way)
	}
}

// before lets answers come back and people answer.
func (p *post) before(now time.Time) {
	p.town.goOn(now)
	p.settle()
	for _, n := range p.all {
		if n.answer.IsZero() || now.Before(n.answer) {
			continue
		}
		n.answer = time.Time{}
		if p.watch.act("ack", n.Vessel, n.ID) {
			n.answered = now
		}
	}
}

// after does what the live watch does beside.
func (p *post) after(time.Time) {
	p.watch.tell()
	p.settle()
}

// settle waits, a moment of the machine's time, until every delivery has ended or
// waits for an answer that comes later.
func (p *post) settle() {
	for p.watch.telling() > p.town.waiting() {
		time.Sleep(20 * time.Microsecond)
	}
}

// countArrivals counts as false the notifications that came twice, or after the warning was
// answered or over. The same notification may come again when its answer was lost: it has
// the same ID, so that it replaces the first.
func (p *post) countArrivals(r *result) {
	type key struct{ route, id string }
	heard, first := map[key]bool{}, map[key]string{}
	wrong := func(bad bool, what string, a arrival) {
		if bad {
			r.extra("notification %s %s, sent %s by %s", a.id, what, a.begun.Format(time.TimeOnly), a.route)
		}
	}
	for _, a := range p.town.took {
		p.sum.notifications++
		was, again := heard[key{a.route, a.id}]
		if again {
			p.sum.again++
		}
		wrong(again && was, "came again although its answer was heard", a)
		heard[key{a.route, a.id}] = !a.unheard
		if a.what == alert.WasRaised {
			other, told := first[key{a.route, a.alarm}]
			wrong(told && other != a.id, "came as news a second time", a)
			first[key{a.route, a.alarm}] = a.id
		}
		for _, n := range p.all {
			if n.ID == a.alarm {
				wrong(!n.answered.IsZero() && !a.begun.Before(n.answered), "was sent after the answer", a)
				wrong(a.what != alert.WasResolved && !n.ResolvedAt.IsZero() && !a.begun.Before(n.ResolvedAt), "was sent after its warning was over", a)
			}
		}
	}
}

// countNews holds every warning against what came through one way: it has to be there
// when the way was open for long enough while it was of use, and not before an older
// one.
func (p *post) countNews(r *result, way string) {
	var last time.Time
	for _, n := range p.all {
		told := p.toldAt(way, n)
		due, must := p.dueBy(way, n)
		switch {
		case must && (told.IsZero() || told.After(due)):
			r.miss("%s of %s, raised %s, was due by %s at %s and came %s", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), way, due.Format(time.TimeOnly), told.Format(time.TimeOnly))
		case told.IsZero():
			p.sum.overtaken++
		case told.Sub(n.raised) > time.Minute:
			p.sum.late++
		}
		if told.IsZero() {
			continue
		}
		if told.Before(last) {
			r.extra("%s of %s, raised %s, came by %s before an older one", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), way)
		}
		last = told
	}
}

// toldAt is when the first notification that tells a warning was sent; zero for never.
func (p *post) toldAt(way string, n *news) time.Time {
	for _, a := range p.town.took {
		if a.route == way && a.alarm == n.ID {
			return a.begun
		}
	}
	return time.Time{}
}

// dueBy tells when a way has been open for so long, while a warning was of use, that
// its notification must have come.
func (p *post) dueBy(way string, n *news) (at time.Time, must bool) {
	end := n.raised.Add(elseIsNews)
	if n.Kind == alert.Near {
		end = n.raised.Add(nearIsNews)
	}
	for _, t := range []time.Time{n.ResolvedAt, n.answered, p.now} {
		if !t.IsZero() && t.Before(end) {
			end = t
		}
	}
	open := time.Duration(0)
	for at = n.raised; at.Before(end); at = at.Add(stepEvery) {
		if open += stepEvery; p.town.answer(way, at).holds() {
			open = 0
		}
		if open >= reachedWithin {
			return at, true
		}
	}
	return end, false
}
