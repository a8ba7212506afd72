package campaign

import (
	"os"
	"path/filepath"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
)

const (
	stepEvery   = 10 * time.Second // how far apart, in kitchen time, sensors are read
	keepEvery   = time.Minute      // how often samples go to disk, as in the daemon
	kitchenSeed = 7                // chance of sensors and room; the faults have their own
)

// story is that of the demo, with the jar emptied and the tub turned out some minutes
// later: what the household is told just before that would be told or not by the luck
// of a few readings, and no fault could be blamed for either.
func story() virtual.Scenario {
	s := virtual.Household(time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC))
	for i, a := range s.Acts {
		switch {
		case a.Vessel == "jar" && a.Event == "end":
			s.Acts[i].At = a.At.Add(7 * time.Minute)
		case a.Vessel == "tub" && a.Event == "end":
			s.Acts[i].At = a.At.Add(15 * time.Minute)
		}
	}
	return s
}

// trouble is what may be put into a day from outside. Every part may be nil.
type trouble struct {
	spoil  func(vessel, what string, at time.Time, r sensor.Reading) sensor.Reading
	ahead  func(now time.Time) time.Duration // the wall clock, of the kitchen
	absent func(now time.Time) bool          // nobody watches: the step is left out
	unread func(now time.Time) bool          // no sensor is asked in this step
	before func(now time.Time)               // called before every step
	after  func(now time.Time)               // and after it
	raised func(now time.Time, a alert.Alarm)
	did    func(acts int)
	zone   *time.Location
	routes []alert.Route
}

// day is one invented day on its way through a watch.
type day struct {
	trouble
	story   virtual.Scenario
	kitchen *virtual.Kitchen
	machine *machine
	watch   *watch
	now     time.Time // of the kitchen
	took    int       // acts done when it was opened
	next    int       // act to come
	heard   []telling
}

// openDay takes the story up at a moment with the first acts already done, over the
// history in dir.
func openDay(dir string, at time.Time, done int, with trouble) *day {
	d := &day{trouble: with, story: story(), now: at, took: done, next: done}
	if d.zone == nil {
		d.zone = time.UTC
	}
	lead := time.Duration(0)
	if d.ahead != nil {
		lead = d.ahead(at)
	}
	d.kitchen, d.machine = virtual.New(d.story, kitchenSeed), boot(at, lead, d.zone)
	d.watch = openWatch(dir, d.story, d.machine, d.routes)
	return d
}

// run plays the story until a moment of the kitchen.
func (d *day) run(until time.Time) {
	for d.now.Before(until) {
		d.now = d.now.Add(stepEvery)
		lead := time.Duration(0)
		if d.ahead != nil {
			lead = d.ahead(d.now)
		}
		d.machine.set(d.now, lead)
		if d.before != nil {
			d.before(d.now)
		}
		if d.absent == nil || !d.absent(d.now) {
			d.step()
		}
	}
}

// step does what people do, reads every sensor and moves the watch on.
func (d *day) step() {
	for _, a := range d.story.Acts[d.next:] {
		if a.At.After(d.now) {
			break
		}
		d.act(a)
	}
	at := d.machine.steady.Now()
	if d.unread == nil || !d.unread(d.now) {
		for _, v := range d.story.Vessels {
			d.watch.observe(at, v.Name, d.read(v.Name, "height", d.kitchen.Distance), d.read(v.Name, "dough", d.kitchen.Dough), d.read(v.Name, "air", d.kitchen.Air))
		}
	}
	for _, a := range d.watch.advance(at) {
		d.heard = append(d.heard, telling{warning{a.Vessel, string(a.Kind)}, d.now})
		if d.raised != nil {
			d.raised(d.now, a)
		}
	}
	if d.after != nil {
		d.after(d.now)
	}
	if d.now.Sub(d.story.Start)%keepEvery == 0 {
		d.watch.keep()
	}
}

// act does what a person does. What an earlier process did and had no time to tell of
// before it was killed is on the page: people do not press again.
func (d *day) act(a virtual.Act) {
	if d.next > d.took || a.Event != "fold" || !d.watch.shows(a.Event, a.Vessel, a.At.Add(-stepEvery)) {
		d.watch.act(a.Event, a.Vessel, "")
	}
	d.next++
	if d.did != nil {
		d.did(d.next)
	}
}

// read reads one sensor, spoilt or not.
func (d *day) read(vessel, what string, from func(string, time.Time) sensor.Reading) sensor.Reading {
	r := from(vessel, d.now)
	if d.spoil != nil {
		r = d.spoil(vessel, what, d.now, r)
	}
	return r
}

// warning is one warning, whenever it came.
type warning struct{ vessel, kind string }

// telling is a warning with the moment of the kitchen at which it came.
type telling struct {
	warning
	at time.Time
}

// ledger is what a day gave: what is kept in the history is what the household is
// told, once, also when the process that raised it died before it could say so.
type ledger struct {
	rises []record
	told  []telling // as they were heard, where somebody listened
}

// play plays a whole day with trouble over a folder of its own.
func play(with trouble) ledger {
	dir := tempDir()
	defer func() { _ = os.RemoveAll(dir) }()
	return playIn(dir, with)
}

// playIn is play over a folder.
func playIn(dir string, with trouble) ledger {
	d := openDay(dir, story().Start, 0, with)
	d.run(d.story.Until)
	d.watch.close()
	return ledger{records(dir), d.heard}
}

// warnings are those of all rises.
func (l ledger) warnings() []warning {
	var out []warning
	for _, r := range l.rises {
		for _, a := range r.alarms {
			out = append(out, warning{a.Vessel, string(a.Kind)})
		}
	}
	return out
}

// of keeps the warnings for which keep is true.
func of(all []warning, keep func(warning) bool) []warning {
	return slices.DeleteFunc(slices.Clone(all), func(w warning) bool { return !keep(w) })
}

// ofFault tells warnings about the fault itself: they are right when there was one,
// and belong to no undisturbed day.
func (w warning) ofFault() bool {
	return w.kind == string(alert.NobodyWatched) || w.kind == string(alert.DiskNearlyFull)
}

// certain tells warnings that do not hang on a forecast's doubt: with other readings
// the judgement that a rise will level off, or that a starter has turned, may fall a
// little earlier, later or, near the end of a rise, not at all.
func (w warning) certain() bool {
	return slices.Contains([]alert.Kind{alert.Near, alert.Reached, alert.Over, alert.StepDue, alert.TooHot, alert.TooCold}, alert.Kind(w.kind))
}

func (w warning) lost() bool { return w.kind == string(alert.SensorLost) }

// underWay tells whether a rise was on during the whole of a stretch of the story.
func underWay(vessel string, from, until time.Time) bool {
	on := false
	for _, a := range story().Acts {
		if a.Vessel != vessel {
			continue
		}
		if a.At.After(from) && a.At.Before(until) && (a.Event == "start" || a.Event == "end") {
			return false
		}
		if !a.At.After(from) {
			on = a.Event != "end"
		}
	}
	return on
}

// tempDir makes a folder.
func tempDir() string { return ok(os.MkdirTemp("", "tidemark-faults-")) }

// stamp gives the files of a folder the kitchen's time: by it a watch knows when the
// one before was last alive.
func stamp(dir string, at time.Time) {
	for _, f := range ok(os.ReadDir(dir)) {
		must(os.Chtimes(filepath.Join(dir, f.Name()), at, at))
	}
}

// must ends a campaign that cannot be run: that is no result.
func must(err error) {
	if err != nil {
		panic(err)
	}
}

// ok is must with a value.
func ok[T any](v T, err error) T {
	must(err)
	return v
}
