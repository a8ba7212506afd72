package campaign

import (
	"fmt"
	"time"

	"tidemark/sensor"
)

// outage is a stretch in which one sensor answers nothing.
type outage struct {
	vessel, what string
	stretch
	status sensor.Status
}

// lostAfter is after how long the demo's vessels count as not seen, and heldBack how
// much later the warning may come: it is held back for a moment.
const (
	lostAfter = 5 * time.Minute
	heldBack  = 3 * time.Minute
)

// deadSensors plays days in which sensors go dead at random and come back. A height
// sensor that is away for longer than the vessel's lost_after during a rise must be
// told; a shorter absence, or a dead probe, must not be told as a lost sensor.
func deadSensors(c *campaign, r *result, trials int) {
	told, due := 0, 0
	for range trials {
		away := c.outages()
		got := play(trouble{spoil: func(vessel, what string, at time.Time, reading sensor.Reading) sensor.Reading {
			for _, o := range away {
				if o.vessel == vessel && o.what == what && o.holds(at) {
					dead := sensor.Taken(reading.Quantity, 0, 0, sensor.Fault(o.status, "dead for the campaign"))
					dead.Wall = reading.Wall
					return dead
				}
			}
			return reading
		}})
		r.trials++
		certain := func(t telling) bool { return t.certain() }
		r.compare(of(c.plain.kept(), certain), of(got.kept(), certain), anyTime)
		r.countRises(got.rises, asTold)
		t, d := r.matchLost(away, got.told)
		told, due = told+t, due+d
	}
	r.note = fmt.Sprintf("outages that had to be told: %d, told: %d", due, told)
}

// outages draws the outages of a day, one after the other, so that each can be told
// apart from the next.
func (c *campaign) outages() (out []outage) {
	kinds := []sensor.Status{sensor.Missing, sensor.ReadFailed, sensor.BadData, sensor.OutOfRange}
	s := story()
	for at := s.Start.Add(time.Duration(c.dice.IntN(60)) * time.Minute); at.Before(s.Until); {
		v := s.Vessels[c.dice.IntN(len(s.Vessels))].Name
		what := []string{"height", "dough", "air"}[c.dice.IntN(3)]
		end := at.Add(time.Duration(1+c.dice.IntN(25)) * time.Minute)
		out = append(out, outage{v, what, stretch{at, end}, kinds[c.dice.IntN(len(kinds))]})
		at = end.Add(time.Duration(20+c.dice.IntN(40)) * time.Minute)
	}
	return out
}

// matchLost holds what was told of lost sensors against what had to be.
func (r *result) matchLost(away []outage, told []telling) (found, due int) {
	used := map[int]bool{}
	for _, o := range away {
		if o.what != "height" {
			continue
		}
		hit := false
		for i, l := range told {
			if l.lost() && l.vessel == o.vessel && l.at.After(unseenFrom(o).Add(lostAfter-time.Minute)) && l.at.Before(o.until.Add(time.Minute)) {
				used[i], hit = true, true
			}
		}
		switch must := o.until.Sub(o.from) > lostAfter+heldBack && underWay(o.vessel, stretch{o.from.Add(-lostAfter), o.from.Add(lostAfter + heldBack)}); {
		case must && hit:
			found, due = found+1, due+1
		case must:
			due++
			r.miss("missed sensor_lost of %s, away %s to %s", o.vessel, o.from.Format(time.TimeOnly), o.until.Format(time.TimeOnly))
		}
	}
	for i, l := range told {
		if l.lost() && !used[i] {
			r.extra("false sensor_lost of %s at %s", l.vessel, l.at.Format(time.TimeOnly))
		}
	}
	return found, due
}

// unseenFrom is since when the dough was not seen in an outage: a lid may have been
// off just before.
func unseenFrom(o outage) time.Time {
	for _, l := range story().LidsOff {
		if l.Vessel == o.vessel && l.From.Before(o.from) && l.Until.After(o.from.Add(-time.Minute)) {
			return l.From
		}
	}
	return o.from
}
