package sensor

import (
	"context"
	"time"
)

// Source is one thing that can be read. Read blocks at most until ctx ends and
// always returns a Reading: a fault is a Status, not an error, because the caller
// goes on watching. Close releases buses and files.
type Source interface {
	Read(ctx context.Context) Reading
	Close() error
}

// PushedSource is a Source whose readings others send when they like. It uses no
// bus that might hang: its Read ends with the context.
type PushedSource interface {
	Source
	// MaxWait returns how long a reading may wait for the next one.
	MaxWait() time.Duration
}

// Recovery counts what was done to bring a sensor back.
type Recovery struct {
	Restarts int64 // set up again by commands
	Resets   int64 // switched off and on by its shutdown or supply line
}

// Recoverer is a Source that brings its sensor back by itself and counts it.
type Recoverer interface {
	Recovery() Recovery
}

// Air returns what is known of the air under a sensor, as last measured: its
// temperature in Celsius and relative humidity (ratio 0..1; NaN when not known). ok
// is false when the temperature is not known.
type Air func() (celsius, humidity float64, ok bool)

// guarded is a Source behind a call guard.
type guarded struct {
	Source
	q     Quantity
	clock Clock
	token chan struct{} // holds a token while no call is under way
}

// Guard returns s behind a call guard. A bus or a kernel file may hang for ever:
// Read lets go when its context ends and leaves the call to finish alone; until
// then it makes no second one and says so almost at once, so that a sensor which
// hangs does not hold up its bus. Close waits for such a call for two seconds. A
// PushedSource needs no guard and is returned as it is.
func Guard(s Source, q Quantity, clock Clock) Source {
	if _, pushed := s.(PushedSource); pushed {
		return s
	}
	g := &guarded{s, q, clock, make(chan struct{}, 1)}
	g.token <- struct{}{}
	return g
}

// Times of the guard: how long Read waits for an earlier call, and Close for a call
// under way.
const (
	guardQueue = 100 * time.Millisecond
	guardClose = 2 * time.Second
)

// Read reads the source, but for at most as long as ctx lasts. What it calls gets
// a little less time, so that it can end in order and say why.
func (g *guarded) Read(ctx context.Context) Reading {
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	if deadline, ok := ctx.Deadline(); ok {
		inner, cancel = context.WithDeadline(inner, deadline.Add(-time.Until(deadline)/20))
		defer cancel()
	}
	var r Reading
	if err := g.call(ctx, guardQueue, func() error { r = g.Source.Read(inner); return nil }); err != nil {
		return g.clock.Stamp(g.q).Failed(err)
	}
	return r
}

// Close closes the source when no call is under way any more.
func (g *guarded) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), guardClose)
	defer cancel()
	return g.call(ctx, guardClose, g.Source.Close)
}

// Recovery returns that of the source; zero for one that does not count.
func (g *guarded) Recovery() Recovery {
	if r, ok := g.Source.(Recoverer); ok {
		return r.Recovery()
	}
	return Recovery{}
}

// call makes one call, after waiting so long for an earlier one.
func (g *guarded) call(ctx context.Context, queue time.Duration, work func() error) error {
	timer := time.NewTimer(queue)
	defer timer.Stop()
	select {
	case <-g.token:
	case <-timer.C:
		return Faultf(ReadFailed, "the last read has not ended yet; the bus hangs")
	case <-ctx.Done():
		return Faultf(ReadFailed, "the last read has not ended yet; the bus hangs")
	}
	done := make(chan error, 1)
	go func() {
		err := work()
		g.token <- struct{}{}
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return Faultf(ReadFailed, "no answer in time; the bus hangs or is very slow")
	}
}
