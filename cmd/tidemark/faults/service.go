package main

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/sensor/sensortest/virtual"
)

// trouble is how a service on the way to the household answers.
type trouble int

const (
	fine    trouble = iota
	slow            // it takes the letter, after a while
	refused         // nobody listens
	silent          // it takes the connection and never answers
	broken          // it answers 500
	busy            // it answers 503 and asks to wait
	unheard         // it takes the letter and its answer is lost
)

// askedToWait is what a busy service asks for, noAnswer how long a delivery waits.
const (
	askedToWait = 2 * time.Minute
	noAnswer    = 30 * time.Second
)

// holds tells whether a trouble keeps letters from being told.
func (t trouble) holds() bool { return t != fine && t != slow }

// spell is a stretch of trouble on one route, or on all.
type spell struct {
	route       string // empty for all
	from, until time.Time
	how         trouble
}

// arrival is a letter that a service took.
type arrival struct {
	route, id, alarm string
	what             alert.What
	begun            time.Time // when the delivery began
	unheard          bool      // its answer was lost
}

// outside is the world beyond the machine, by the kitchen's clock.
type outside struct {
	spells []spell

	mu     sync.Mutex
	now    time.Time
	parked []parked
	took   []arrival
}

// parked is a delivery that waits for its answer.
type parked struct {
	until  time.Time
	answer chan struct{}
}

// drawSpells draws the trouble of a day: for minutes to hours, on one route or on
// all.
func drawSpells(story virtual.Scenario, dice *rand.Rand, routes []string) []spell {
	var out []spell
	for at := story.Start; at.Before(story.Until); {
		at = at.Add(time.Duration(5+dice.IntN(50)) * time.Minute)
		n := spell{from: at, until: at.Add(time.Duration(2+dice.IntN(150)) * time.Minute), how: trouble(1 + dice.IntN(int(unheard)))}
		if dice.IntN(3) == 0 {
			n.route = routes[dice.IntN(len(routes))]
		}
		if n.until.After(story.Until) {
			n.until = story.Until
		}
		out = append(out, n)
		at = n.until
	}
	return out
}

// longSpell draws trouble on all routes over two warnings of the jar, at the mark
// and at its peak, so that both letters wait when it ends.
func longSpell(story virtual.Scenario, dice *rand.Rand) spell {
	from := story.Start.Add(time.Duration(180+dice.IntN(20)) * time.Minute)
	until := story.Start.Add(time.Duration(252+dice.IntN(6)) * time.Minute)
	return spell{from: from, until: until, how: refused}
}

// trouble tells how a route is at a moment.
func (o *outside) trouble(route string, at time.Time) trouble {
	for _, s := range o.spells {
		if (s.route == "" || s.route == route) && !at.Before(s.from) && at.Before(s.until) {
			return s.how
		}
	}
	return fine
}

// goOn lets the world go on to a moment: deliveries get the answers that are due.
func (o *outside) goOn(now time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.now = now
	o.parked = slices.DeleteFunc(o.parked, func(p parked) bool {
		due := !p.until.After(now)
		if due {
			close(p.answer)
		}
		return due
	})
}

// waiting counts the deliveries that wait for an answer.
func (o *outside) waiting() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.parked)
}

// time is the moment in the kitchen.
func (o *outside) time() time.Time {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.now
}

// park waits for a span of the kitchen's time.
func (o *outside) park(ctx context.Context, span time.Duration) error {
	p := parked{answer: make(chan struct{})}
	o.mu.Lock()
	p.until = o.now.Add(span)
	o.parked = append(o.parked, p)
	o.mu.Unlock()
	select {
	case <-p.answer:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// service is the far end of one route.
type service struct {
	name    string
	outside *outside
	dice    *rand.Rand
}

// Deliver answers as the trouble of the moment says.
func (s *service) Deliver(ctx context.Context, m alert.Message) (string, error) {
	begun := s.outside.time()
	how := s.outside.trouble(s.name, begun)
	switch how {
	case refused:
		return "", errors.New("connection refused")
	case broken:
		return "", &alert.Failure{Answer: "500 internal server error"}
	case busy:
		return "", &alert.Failure{Answer: "503 try later", RetryAfter: askedToWait}
	case silent:
		if err := s.outside.park(ctx, noAnswer); err != nil {
			return "", err
		}
		return "", errors.New("no answer in time")
	case slow:
		if err := s.outside.park(ctx, time.Duration(5+s.dice.IntN(20))*time.Second); err != nil {
			return "", err
		}
	}
	s.outside.take(arrival{s.name, m.ID, m.AlarmID, m.What, begun, how == unheard})
	if how == unheard {
		return "", errors.New("connection reset before the answer came back")
	}
	return "200", nil
}

// take notes a letter that arrived.
func (o *outside) take(a arrival) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.took = append(o.took, a)
}

// Close does nothing.
func (s *service) Close() error { return nil }
