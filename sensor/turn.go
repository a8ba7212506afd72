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

// queueFor is how long Do waits for earlier work that was left to finish alone. It
// is short, so that a sensor which hangs does not hold up its bus each time it is
// asked.
const queueFor = 100 * time.Millisecond

// Do runs work and returns its error. When ctx ends first it returns a
// *FaultError and leaves work to finish alone; until then no other work is
// started, and Do returns a *FaultError almost at once.
func (t Turn) Do(ctx context.Context, work func() error) error {
	if err := t.take(ctx, queueFor); err != nil {
		return err
	}
	return t.run(ctx, work)
}

// take waits for the turn.
func (t Turn) take(ctx context.Context, patience time.Duration) error {
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-t.token:
		return nil
	case <-timer.C:
	case <-ctx.Done():
	}
	return Faultf(ReadFailed, "the last read has not ended yet; the bus hangs")
}

// run runs work and gives the turn back when it is through.
func (t Turn) run(ctx context.Context, work func() error) error {
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
	if err := t.take(context.Background(), closeWithin); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	return t.run(ctx, work)
}
