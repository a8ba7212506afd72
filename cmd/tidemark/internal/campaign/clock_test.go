package campaign

import (
	"fmt"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/sensor/sensortest/virtual"
)

// setting is one way in which the wall clock of a machine goes wrong or is put right
// in the course of a day.
type setting struct {
	name   string
	zone   *time.Location
	begins time.Time     // what the wall shows when the story begins
	drifts float64       // parts of a million that the wall runs fast, or slow
	at     time.Time     // when it is set, by the kitchen's time; zero for never
	by     time.Duration // then
}

// clockSet plays days in which the wall clock is set at a random moment, drifts, or is
// one hour elsewhere by the household's zone from one minute to the next. The boot
// clock goes on, so the day must tell the same warnings at the same moments of the
// kitchen, keep its rises, and store curves without a gap or a fold.
func clockSet(c *campaign, r *result, trials int) {
	latest := time.Duration(0)
	for ; r.trials < trials; r.trials++ {
		s := c.setting(r.trials)
		got := play(trouble{zone: s.zone, ahead: s.lead})
		within := slack
		if s.at.IsZero() { // only what people read on the wall steps
			within = atOnce
		}
		latest = max(latest, r.compare(c.plain.told, got.told, within))
		r.countRises(got.rises, s.stands)
		r.gaps(got.rises, true)
	}
	r.note = fmt.Sprintf("warnings told at most %s from when the plain day told them", latest)
}

// setting draws the n-th setting of a clock, of each kind in turn. The change to and
// from daylight saving time sets nothing: only what people read on the wall steps.
func (c *campaign) setting(n int) setting {
	day := story()
	within := func() time.Duration { return time.Duration(c.dice.Int64N(int64(day.Until.Sub(day.Start)))) }
	s := setting{zone: time.UTC, begins: day.Start, at: day.Start.Add(within())}
	switch n % 6 {
	case 0:
		s.name, s.by = "three hours forth", 3*time.Hour
	case 1:
		s.name, s.begins = "from 1970", time.Unix(20, 0).UTC()
		s.by = day.Start.Sub(s.begins)
		s.at = day.Start.Add(time.Duration(2*60+c.dice.IntN(40*60)) * time.Second)
	case 2:
		s.name, s.by = "three hours back", -3*time.Hour
	case 3:
		s.name, s.drifts = "a drift and a small step", 400*(2*c.dice.Float64()-1)
		s.by = time.Duration(c.dice.IntN(121)-60) * time.Second
	default: // the changes of 2026 in Europe, at 01:00 UTC
		change := []time.Time{time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC)}[n%2]
		s = setting{name: "daylight saving time", zone: ok(time.LoadLocation("Europe/Berlin")), begins: change.Add(-within().Truncate(time.Minute))}
	}
	return s
}

// lead is how far the wall is ahead of the kitchen at a moment.
func (s setting) lead(now time.Time) time.Duration {
	start := story().Start
	ahead := s.begins.Sub(start) + time.Duration(float64(now.Sub(start))*s.drifts/1e6)
	if !s.at.IsZero() && !now.Before(s.at) {
		ahead += s.by
	}
	return ahead
}

// stands is where the clock puts the start of a rise at the end of the day. The last
// rise of a vessel moves with every step, also when it was over: it is as long ago as
// it was.
func (s setting) stands(start virtual.Event) time.Time { return start.At.Add(s.lead(story().Until)) }

// nap is a stretch in which the machine is suspended: its clocks go on, nothing runs.
// After it the first answer of a sensor takes until seen.
type nap struct {
	stretch
	seen time.Time
}

// asleep plays days on a machine that is suspended for minutes again and again. It is
// held against a machine that is awake on a day with the same readings missing: a rise
// goes on, what was due meanwhile is told just after waking, and a sensor that answers
// after waking is not told as lost unless the machine that was awake told so as well.
func asleep(c *campaign, r *result, trials int) {
	slept, due := 0, 0
	for ; r.trials < trials; r.trials++ {
		naps := c.naps()
		slept += len(naps)
		var away, blind []stretch
		for _, n := range naps {
			away, blind = append(away, n.stretch), append(blind, stretch{n.from, n.seen})
		}
		got := play(trouble{unread: within(blind), absent: within(away)})
		awake := play(trouble{unread: within(blind)})
		r.countRises(got.rises, asTold)
		want := awake.told
		for i, t := range want {
			for _, n := range naps {
				if n.from.Before(t.at) && t.at.Before(n.seen) {
					want[i].at = n.seen
					due++
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
			near := t
			near.kind = string(alert.Reached)
			return !t.lost() && (!late(t) || t.kind != string(alert.Near) || has(got.told, t) || !has(got.told, near))
		}), of(got.told, func(t telling) bool { return !t.lost() || !has(want, t) }), slack)
	}
	r.note = fmt.Sprintf("%d sleeps, %d warnings due meanwhile", slept, due)
}

// naps draws the sleeps of a day, every other one over a warning of the plain day.
// Nobody does anything to a vessel while the page does not answer, nor before what was
// due meanwhile can have been told.
func (c *campaign) naps() (out []nap) {
	day := story()
	for at := day.Start.Add(time.Duration(c.dice.IntN(60)) * time.Minute); at.Before(day.Until); {
		span := time.Duration(120+c.dice.IntN(38*60)) * time.Second
		if next := slices.IndexFunc(c.plain.told, func(t telling) bool { return t.at.After(at.Add(span)) }); next >= 0 && c.dice.IntN(2) == 0 {
			at = c.plain.told[next].at.Add(-time.Duration(c.dice.Int64N(int64(span)))).Truncate(time.Second)
		}
		n := nap{stretch: stretch{at, at.Add(span)}}
		n.seen = n.until.Add(time.Duration(c.dice.IntN(7)) * stepEvery)
		busy := slices.ContainsFunc(day.Events, func(a virtual.Event) bool { return !a.At.Before(n.from) && !a.At.After(n.seen.Add(doubtWithin)) })
		if !busy && n.seen.Before(day.Until) {
			out = append(out, n)
		}
		at = n.seen.Add(time.Duration(20+c.dice.IntN(60)) * time.Minute)
	}
	return out
}
