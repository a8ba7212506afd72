package main

import (
	"sync"
	"time"

	"tidemark/cmd/tidemark/internal/app"
)

// timepiece is the clock of a day's App, and how it goes on with the kitchen.
type timepiece interface {
	Now() time.Time        // of the App
	Wall() time.Time       // what the machine says the time is
	Set(kitchen time.Time) // lets it go on to a moment of the kitchen
	watch() app.Clock      // what the App is given
}

// handClock shows the kitchen's time.
type handClock struct{ app.Stepped }

// Wall is the kitchen's time as well.
func (h *handClock) Wall() time.Time { return h.Now() }

// watch gives the clock itself.
func (h *handClock) watch() app.Clock { return &h.Stepped }

// wallClock is the clock of a machine whose boot clock goes on with the kitchen
// and whose wall clock may be set: the App goes by it as the live one does.
type wallClock struct {
	*app.Steady
	zone *time.Location

	mu      sync.Mutex
	booted  time.Time // all by the kitchen's time
	kitchen time.Time
	ahead   time.Duration // the wall, of the kitchen
}

// bootedFor is how long the machine has run when a day begins.
const bootedFor = 5 * time.Second

// newWallClock boots a machine at a moment of the kitchen, with its wall clock so
// far ahead of the kitchen's time.
func newWallClock(at time.Time, ahead time.Duration, zone *time.Location) *wallClock {
	c := &wallClock{zone: zone, booted: at.Add(-bootedFor), kitchen: at, ahead: ahead}
	c.Steady = app.NewSteadyOf(c.wallNow, c.boot)
	return c
}

// wallNow reads the wall clock.
func (c *wallClock) wallNow() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.kitchen.Add(c.ahead).In(c.zone)
}

// boot reads the boot clock.
func (c *wallClock) boot() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.kitchen.Sub(c.booted)
}

// Set lets the machine run on to a moment of the kitchen.
func (c *wallClock) Set(kitchen time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.kitchen = kitchen
}

// turn sets the wall clock to another lead over the kitchen.
func (c *wallClock) turn(ahead time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ahead = ahead
}

// watch gives the steady clock.
func (c *wallClock) watch() app.Clock { return c.Steady }
