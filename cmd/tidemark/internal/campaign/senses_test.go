package campaign

import (
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
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

// deadSensors plays a day in which sensors go dead at random and come back, one after the
// other. A height sensor that is away for longer than the vessel's lost_after during a
// rise must be told; a shorter absence, or a dead probe, must not be told as a lost
// sensor.
func deadSensors(r *row) {
	r.tried++
	var away []outage
	s := story(0)
	for at := s.Start.Add(r.upTo(time.Hour)); at.Before(s.Until); at = away[len(away)-1].until.Add(20*time.Minute + r.upTo(40*time.Minute)) {
		away = append(away, outage{s.Vessels[r.dice.IntN(len(s.Vessels))].Name, []string{"height", "dough", "air"}[r.dice.IntN(3)],
			stretch{at, at.Add(time.Minute + r.upTo(25*time.Minute))}, []sensor.Status{sensor.Missing, sensor.ReadFailed, sensor.BadData, sensor.OutOfRange}[r.dice.IntN(4)]})
	}
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
	certain := func(t telling) bool { return t.certain() }
	r.compare(of(r.plain.kept(), certain), of(got.kept(), certain), anyTime)
	r.holdRises(got.rises, 0)
	left := of(got.told, func(t telling) bool { return t.is(alert.SensorLost) })
	for _, o := range away {
		if o.what != "height" {
			continue
		}
		told := len(left)
		left = of(left, func(t telling) bool {
			return t.vessel != o.vessel || !t.at.After(unseenFrom(o).Add(lostAfter-time.Minute)) || !t.at.Before(o.until.Add(time.Minute))
		})
		if o.until.Sub(o.from) > lostAfter+heldBack && underWay(o.vessel, stretch{o.from.Add(-lostAfter), o.from.Add(lostAfter + heldBack)}) {
			r.noted["outages-to-be-told"]++
			if told == len(left) {
				r.count(&r.missed, "missed sensor_lost of %s, away %s to %s", o.vessel, o.from.Format(time.TimeOnly), o.until.Format(time.TimeOnly))
			}
		}
	}
	r.compare(nil, left, anyTime)
}

// unseenFrom is since when the dough was not seen in an outage: a lid may have been
// off just before.
func unseenFrom(o outage) time.Time {
	for _, l := range story(0).LidsOff {
		if l.Vessel == o.vessel && l.From.Before(o.from) && l.Until.After(o.from.Add(-time.Minute)) {
			return l.From
		}
	}
	return o.from
}

// setting is one way in which the wall clock of a machine goes wrong or is put right
// in the course of a day.
type setting struct {
	zone   *time.Location
	begins time.Time     // what the wall shows when the story begins
	drifts float64       // parts of a million that the wall runs fast, or slow
	at     time.Time     // when it is set, by the kitchen's time; zero for never
	by     time.Duration // then
}

// lead is how far the wall is ahead of the kitchen at a moment.
func (s setting) lead(now time.Time) time.Duration {
	start := story(0).Start
	ahead := s.begins.Sub(start) + time.Duration(float64(now.Sub(start))*s.drifts/1e6)
	if !s.at.IsZero() && !now.Before(s.at) {
		ahead += s.by
	}
	return ahead
}

// clockSet plays a day in which the wall clock is set at a random moment, drifts, or is
// one hour elsewhere by the household's zone from one minute to the next. The boot
// clock goes on, so the day must tell the same warnings at the same moments of the
// kitchen, keep its rises, and store curves without a gap or a fold. The last rise of a
// vessel moves with every step, also when it was over: it is as long ago as it was.
func clockSet(r *row) {
	start := story(0).Start
	s, slack := setting{zone: time.UTC, begins: start, at: r.within()}, soon
	switch r.tried % 6 {
	case 0:
		s.by = 3 * time.Hour
	case 1: // from 1970
		s.begins = time.Unix(20, 0).UTC()
		s.by, s.at = start.Sub(s.begins), start.Add(2*time.Minute+r.upTo(40*time.Minute))
	case 2:
		s.by = -3 * time.Hour
	case 3: // a drift and a small step
		s.drifts, s.by = 400*(2*r.dice.Float64()-1), r.upTo(2*time.Minute)-time.Minute
	default: // the changes to and from daylight saving time, 2026 in Europe, at 01:00 UTC: only what people read on the wall steps
		change := []time.Time{time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC)}[r.tried%2]
		s, slack = setting{zone: ok(time.LoadLocation("Europe/Berlin")), begins: change.Add(start.Sub(s.at).Truncate(time.Minute))}, atOnce
	}
	r.tried++
	got := play(trouble{zone: s.zone, ahead: s.lead})
	// What is to be done before the night hangs on what the wall shows, rightly.
	byDay := func(all []telling) []telling { return of(all, func(t telling) bool { return !t.is(alert.InTime) }) }
	off := r.compare(byDay(r.plain.told), byDay(got.told), slack)
	r.noted["most-seconds-from-the-plain-day"] = max(r.noted["most-seconds-from-the-plain-day"], int(off.Seconds()))
	r.holdRises(got.rises, s.lead(story(0).Until))
	r.holdRows(got.rises, true)
}

// nap is a stretch in which the machine is suspended: its clocks go on, nothing runs.
// After it the first answer of a sensor takes until seen.
type nap struct {
	stretch
	seen time.Time
}

// asleep plays a day on a machine that is suspended for minutes again and again. It is
// held against a machine that is awake on a day with the same readings missing: a rise
// goes on, what was due meanwhile is told just after waking, and a sensor that answers
// after waking is not told as lost unless the machine that was awake told so as well.
func asleep(r *row) {
	r.tried++
	naps := r.naps()
	r.noted["sleeps"] += len(naps)
	var away, blind []stretch
	for _, n := range naps {
		away, blind = append(away, n.stretch), append(blind, stretch{n.from, n.seen})
	}
	got := play(trouble{unread: blind, absent: away})
	awake := play(trouble{unread: blind})
	r.holdRises(got.rises, 0)
	want := awake.told
	for i, t := range want {
		for _, n := range naps {
			if n.from.Before(t.at) && t.at.Before(n.seen) {
				want[i].at = n.seen
				r.noted["due-meanwhile"]++
			}
		}
	}
	late := func(t telling) bool { return slices.ContainsFunc(naps, func(n nap) bool { return n.seen.Equal(t.at) }) }
	has := func(all []telling, t telling) bool {
		return slices.ContainsFunc(all, func(o telling) bool { return o.warning == t.warning && o.at.Sub(t.at).Abs() <= doubtWithin })
	}
	// A sensor is lost to the machine that was awake alone, and a mark that came near
	// and was reached in one sleep may be told as reached.
	r.compare(of(want, func(t telling) bool {
		reached := telling{warning{t.vessel, alert.Reached}, t.at}
		return !t.is(alert.SensorLost) && (!late(t) || !t.is(alert.Near) || has(got.told, t) || !has(got.told, reached))
	}), of(got.told, func(t telling) bool { return !t.is(alert.SensorLost) || !has(want, t) }), soon)
}

// naps draws the sleeps of a day, every other one over a warning of the plain day.
// Nobody does anything to a vessel while the page does not answer, nor before what was
// due meanwhile can have been told.
func (r *row) naps() (out []nap) {
	s := story(0)
	for at := s.Start.Add(r.upTo(time.Hour)); at.Before(s.Until); {
		span := 2*time.Minute + r.upTo(38*time.Minute)
		if next := slices.IndexFunc(r.plain.told, func(t telling) bool { return t.at.After(at.Add(span)) }); next >= 0 && r.dice.IntN(2) == 0 {
			at = r.plain.told[next].at.Add(-r.upTo(span))
		}
		n := nap{stretch: stretch{at, at.Add(span)}}
		n.seen = n.until.Add(time.Duration(r.dice.IntN(7)) * stepEvery)
		busy := slices.ContainsFunc(s.Events, func(a virtual.Event) bool { return !a.At.Before(n.from) && !a.At.After(n.seen.Add(doubtWithin)) })
		if !busy && n.seen.Before(s.Until) {
			out = append(out, n)
		}
		at = n.seen.Add(20*time.Minute + r.upTo(time.Hour))
	}
	return out
}
