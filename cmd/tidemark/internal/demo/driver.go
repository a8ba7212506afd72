// Package demo drives the App with an invented kitchen: virtual sensors with
// real faults, and an invented household that does what is due. Everything it
// shows is made up and says so.
//
// Only the sensors and the clock are its own; from the sample onward the
// pipeline is that of the live daemon.
package demo

import (
	"context"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/timeline"
	"tidemark/estimator"
	"tidemark/sensor/sensortest/virtual"
)

// How far apart, in kitchen time, samples are taken and the App is advanced.
const (
	sampleEvery  = 5 * time.Second
	advanceEvery = 10 * time.Second
)

// driver plays one kitchen day into an App.
type driver struct {
	kitchen *virtual.Kitchen
	app     *app.App
	clock   *app.Stepped
	events  []virtual.Event
	next    int                 // act to come
	loaded  bool                // the loaf went into the oven, its probe is read
	chores  map[chore]time.Time // when each will be over; zero once it is
	words   *text.Localizer
	out     *timeline.Timeline // what is told; nil for nobody
}

// newDriver prepares a day. The clock stands at the day's beginning.
func newDriver(a *app.App, clock *app.Stepped, scenario virtual.Scenario, seed uint64, out *timeline.Timeline) *driver {
	k := virtual.New(scenario, seed)
	clock.Set(scenario.Start)
	return &driver{kitchen: k, app: a, clock: clock, events: k.Events(), chores: map[chore]time.Time{}, out: out, words: text.New(text.Locale{Zone: scenario.Start.Location()})}
}

// runTo plays the kitchen up to t.
func (d *driver) runTo(t time.Time) {
	for now := d.clock.Now(); now.Before(t); {
		now = now.Add(sampleEvery)
		d.clock.Set(now)
		d.sample(now)
		if now.Sub(d.kitchen.Scenario().Start)%advanceEvery == 0 {
			for _, a := range d.app.Advance(now) {
				if d.out != nil {
					d.out.Alarm(now, a)
				}
			}
			d.household(now)
			d.glance()
		}
	}
}

// glance prints what the page says.
func (d *driver) glance() {
	if d.out != nil {
		for _, v := range d.kitchen.Scenario().Vessels {
			d.out.Glance(d.app.State(v.Name))
		}
	}
}

// sample tells what people did, then reads every vessel once.
func (d *driver) sample(now time.Time) {
	for d.next < len(d.events) && !d.events[d.next].At.After(now) {
		e := d.events[d.next]
		d.next++
		kind := bake.EventKind(e.Kind)
		if d.visited(e.Vessel) && !kind.Starts() {
			continue // a visitor has taken over
		}
		d.say(now, e.Text)
		var more bake.Detail
		if kind == bake.EventEnd && e.Vessel == doughTub { // its dough goes on, out of the tub
			kind, more = bake.EventDone, bake.Detail{StepID: "divide"}
		}
		if err := d.tell(e.Vessel, kind, now, more); err != nil {
			d.say(now, err.Error()) // a visitor was quicker
		}
	}
	for _, v := range d.kitchen.Scenario().Vessels {
		d.app.Observe(v.Name, app.SampleOf(now, d.kitchen.Distance(v.Name, now), d.kitchen.Dough(v.Name, now), d.kitchen.Air(v.Name, now)))
	}
	if d.loaded {
		d.app.Core(doughTub, now, d.kitchen.Core(now))
	}
}

// tell enters in the journal what the invented people did.
func (d *driver) tell(vessel string, kind bake.EventKind, now time.Time, more bake.Detail) error {
	return d.app.Do(context.Background(), bake.Event{Vessel: vessel, Kind: kind, At: now, By: byHousehold, Detail: more})
}

// visited reports whether somebody on the page has told something of the bake under
// way: then the invented household steps back from that vessel until its next start.
func (d *driver) visited(vessel string) bool {
	return slices.ContainsFunc(d.app.State(vessel).Events, func(e bake.Event) bool { return e.By != byHousehold && e.By != bake.ByItself && !e.Undone() })
}

// byHousehold signs what the invented people do.
const byHousehold = "household (invented)"

// late is how long after its time the household begins a step.
const late = 2 * time.Minute

// household does what the process says is due, a little late as people are, and
// takes as long over it as the step takes.
func (d *driver) household(now time.Time) {
	for _, v := range d.kitchen.Scenario().Vessels {
		if d.visited(v.Name) {
			continue // a visitor has taken over
		}
		for _, s := range d.app.State(v.Name).Steps {
			key := chore{v.Name, s.ID}
			_, begun := d.chores[key]
			person := s.Hands || s.Trigger == bake.ByRise // which only a person can judge
			if begun || !person || s.State != bake.DueNow || now.Sub(s.At) <= late || s.ID == bake.BulkID {
				continue // the story has its own end of the bulk
			}
			if strings.HasPrefix(s.ID, "fold-") {
				d.fold(v.Name, s, now)
				continue
			}
			d.chores[key] = time.Time{}
			kind := bake.EventDone
			if s.Takes > 0 {
				d.chores[key] = now.Add(s.Takes)
				kind = bake.EventBegun
			}
			if d.tell(v.Name, kind, now, bake.Detail{StepID: s.ID, Answer: "no"}) == nil {
				d.say(now, d.words.Tell(s.Name)+": "+d.words.Tell(s.Do))
				d.oven(s.ID, now)
			}
		}
	}
	for key, over := range d.chores {
		if !over.IsZero() && !over.After(now) {
			d.chores[key] = time.Time{}
			_ = d.tell(key.vessel, bake.EventDone, now, bake.Detail{StepID: key.step, Answer: "no"}) // closed by a later step already
		}
	}
}

// oven moves the loaf of the kitchen with the steps.
func (d *driver) oven(step string, now time.Time) {
	switch step {
	case bake.BakeID:
		d.kitchen.Load(now)
		d.loaded = true
	case bake.OutID:
		d.kitchen.TakeOut(now)
	}
}

// fold leaves the folds to the story and skips those it does not have.
func (d *driver) fold(vessel string, s bake.Step, now time.Time) {
	for _, a := range d.events[d.next:] {
		if a.Vessel == vessel && a.Kind == string(estimator.Fold) {
			return
		}
	}
	if d.tell(vessel, bake.EventSkipped, now, bake.Detail{StepID: s.ID, Why: "the dough is strong enough"}) == nil {
		d.say(now, "fold left out: the dough is strong enough")
	}
}

// chore is a step that the household has begun.
type chore struct{ vessel, step string }

// say reports what the household does.
func (d *driver) say(t time.Time, what string) {
	if d.out != nil {
		d.out.Person(t, what)
	}
}
