package sensor

import (
	"context"
	"time"
)

// Turn lets one piece of work run at a time that may hang, and lets its caller
// go when its patience ends. Make it with NewTurn.
type Turn struct{ token chan struct{} }

// NewTurn makes a Turn that is free.
func NewTurn() Turn {
	t := Turn{make(chan struct{}, 1)}
	t.token <- struct{}{}
	return t
}

// Do runs work and returns its error. When ctx ends first it returns a
// *FaultError and leaves work to finish alone; until then no other work is
// started.
func (t Turn) Do(ctx context.Context, work func() error) error {
	select {
	case <-t.token:
	case <-ctx.Done():
		return Faultf(ReadFailed, "the last read has not ended yet; the bus hangs")
	}
	done := make(chan error, 1)
	go func() {
		err := work()
		t.token <- struct{}{}
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return Faultf(ReadFailed, "no answer in time; the bus hangs or is very slow")
	}
}

// closeWithin is how long Last waits for work that is still under way.
const closeWithin = 2 * time.Second

// Last runs work when nothing else runs any more, to give back what the other
// work used. When that hangs, it gives up with an error after two seconds.
func (t Turn) Last(work func() error) error {
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	return t.Do(ctx, work)
}
