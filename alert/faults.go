package alert

import (
	"cmp"
	"math"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// ovenHeating: see ovenDetector. It has no hold of its own. The worst case is said
// first: a door that is opened feeds a fire. That is common practice of fire
// services, no source; theirs comes first.
func ovenHeating(o *observation) []condition {
	if !o.watched {
		return nil
	}
	c := condition{kind: OvenHeating, rearm: ovenRearm, ready: true}
	if hot := o.hot; hot != nil {
		key := "oven_heating.text.dough"
		switch {
		case hot.reason == beyondLimit:
			key = "oven_heating.text.limit"
		case hot.inAir:
			key = "oven_heating.text.air"
		}
		c.on, c.reason, c.since = true, hot.reason, hot.since
		c.say = func() words {
			return o.words(text.Values{"vessel": o.Vessel, "before_c": hot.beforeC, "temp_c": hot.nowC, "span": o.At.Sub(hot.since)},
				"oven_heating.title", "caution.smoke", "oven_heating.do", key)
		}
	}
	return []condition{c}
}

// sensorLost: the dough was not seen for too long. It makes no difference whether
// readings are missing or are there and show no dough: nobody looks after it either
// way, so both are told alike and in the same time.
func sensorLost(o *observation) []condition {
	if !o.watched {
		return nil
	}
	c := condition{kind: SensorLost, reason: noReading, ready: true, on: !o.sees(), hold: o.ev.lost,
		say: func() words { return sayLost(o) }}
	c.sayEnd = func(s *slot) words {
		v := o.values()
		v["span"] = o.e.LastSeen.Sub(s.alarm.Since) - o.At.Sub(s.clear)
		return o.words(v, "sensor_lost.back.title", "sensor_lost.back.text")
	}
	switch seen := o.e.LastSeen; {
	case !c.on:
	case !seen.IsZero():
		c.since, c.hold, c.ready = seen, 0, o.silentFor(seen) >= o.ev.lost
	case !o.e.Started.IsZero() && o.silentFor(o.e.Started) >= 2*o.ev.lost:
		c.hold = 0 // lost seconds after the start: whenever that was noticed
	}
	return []condition{c}
}

// silentFor is how long a sensor has given nothing although it could have been
// asked: since it was seen last, or since the vessel is watched without a break.
func (o *observation) silentFor(seen time.Time) time.Duration {
	if o.System.Awake.After(seen) {
		seen = o.System.Awake
	}
	return o.At.Sub(seen)
}

// sayLost words that the dough is not seen.
func sayLost(o *observation) words {
	v := o.values()
	v["since"], v["reason"] = o.e.LastSeen, o.cause(estimator.NoReading)
	if o.e.LastSeen.IsZero() {
		return o.words(v, "sensor_lost.title.never", "sensor_lost.text.never", "sensor_lost.do")
	}
	last, ready := "", ""
	if !math.IsNaN(o.e.RisePercent) && o.e.RisePercent != 0 {
		last = "sensor_lost.last"
	}
	if !o.e.Ready.IsZero() && !o.e.ReadyIsPast {
		ready = "sensor_lost.ready"
	}
	return o.words(v, "sensor_lost.title", "sensor_lost.text", last, ready, "sensor_lost.do")
}

// cause says in the household's language why the sensor does not see; otherwise is the
// cause to tell when the estimate knows none.
func (o *observation) cause(otherwise estimator.Cause) string {
	key := cmp.Or(o.e.QualityReason, otherwise)
	fault := map[string]estimator.Cause{"stuck": estimator.SensorStuck, "stale": "node", "unreliable": "unreliable"}[o.HeightFault]
	if fault != "" && o.e.QualityReason != "" && o.e.Quality == estimator.QualityGap {
		key = fault
	}
	return o.t.Say("cause."+string(key), nil)
}

// sensorSuspect: readings arrive but make no sense. Not while the sensor is lost:
// that is one trouble, told once. It comes where a household waits so long for a
// lost sensor that this is the earlier word.
func sensorSuspect(o *observation) []condition {
	if !o.watched {
		return nil
	}
	return []condition{{kind: SensorSuspect, reason: notBelieved, ready: true,
		on:      o.e.Quality == estimator.QualitySuspect,
		unknown: o.open(SensorLost) || o.e.Quality == estimator.QualityGap && o.open(SensorSuspect),
		hold:    suspectHold, say: func() words {
			v := text.Values{"vessel": o.Vessel, "since": o.seen(SensorSuspect), "reason": o.cause("unknown")}
			return o.words(v, "sensor_suspect.title", "sensor_suspect.text", "sensor_suspect.do")
		}}}
}

// probeLost: a thermometer gives nothing, so that heat and cold cannot be told from
// it. Not while the dough is not seen at all: that is the louder word.
func probeLost(o *observation) []condition {
	if !o.watched {
		return nil
	}
	var found []condition
	for _, probe := range []string{"dough", "air"} {
		c := condition{kind: ProbeLost, sub: probe, reason: probe, ready: true, unknown: o.open(SensorLost)}
		for _, s := range o.Silent {
			if s.Sensor != probe {
				continue
			}
			c.on, c.hold, c.since = true, probeAfter, s.Since
			told := "probe_lost.never." + probe
			if !s.Since.IsZero() {
				c.hold, c.ready, told = 0, o.silentFor(s.Since) >= probeAfter, "probe_lost.text."+probe
			}
			c.say = func() words {
				return o.words(text.Values{"vessel": o.Vessel, "since": s.Since}, "probe_lost.title", told, "probe_lost.do")
			}
		}
		found = append(found, c)
	}
	return found
}

// tooHot: the dough is above the limit. Not while an oven is told.
func tooHot(o *observation) []condition {
	limit := tooHotC
	if o.active(TooHot) {
		limit -= hysteresisC
	}
	return o.temperature(condition{kind: TooHot, reason: doughHot, hold: tooHotHold, on: o.e.DoughC >= limit, unknown: o.open(OvenHeating)}, tooHotC)
}

// tooCold: the dough is below the limit, not in the fridge and not warming up. It
// escalates where it hardly moves any more.
func tooCold(o *observation) []condition {
	limit := tooColdC
	if o.active(TooCold) {
		limit += hysteresisC
	}
	fridge := o.InFridge || o.e.AirC <= fridgeAirC
	c := condition{kind: TooCold, reason: doughCold, hold: tooColdHold,
		on: o.e.DoughC <= limit && !fridge && (!o.warming || o.open(TooCold))}
	if o.e.DoughC <= hardlyMovesC {
		c.reason, c.stage = hardlyMoves, 1
	}
	return o.temperature(c, tooColdC)
}

// temperature completes the condition of a dough temperature beyond a limit.
func (o *observation) temperature(c condition, limitC float64) []condition {
	if !o.watched {
		return nil
	}
	c.ready, c.unknown = true, c.unknown || math.IsNaN(o.e.DoughC)
	if !o.InFridge { // against heat; or what the cold comes from, and nobody has told
		c.tap = bake.EventFridge
	}
	c.say = func() words {
		told := string(c.kind) + ".text"
		if c.stage > 0 {
			told += "." + c.reason
		}
		v := text.Values{"vessel": o.Vessel, "temp_c": o.e.DoughC, "limit_c": limitC, "since": o.seen(c.kind),
			"usual_c": float64(kinetics.ReferenceC), "times_tenth": 1 / bake.Speed(o.e.DoughC), "times": 1 / bake.Speed(o.e.DoughC)}
		return o.words(v, string(c.kind)+".title", told, string(c.kind)+".do")
	}
	return []condition{c}
}

// plain words a kind that has one title, one text and one thing to do.
func (o *observation) plain(kind Kind, v text.Values) words {
	key := string(kind)
	return o.words(v, key+".title", key+".text", key+".do")
}

// nobodyWatched: after an unclean stop. It waits a little for a first reading, so
// that it can say how the dough is. Messages about other spans run out.
func nobodyWatched(o *observation) []condition {
	gap, key := o.System.Unwatched, ""
	if !gap.From.IsZero() {
		key = spanKey(gap.From)
	}
	var found []condition
	for _, k := range o.ev.keys() {
		if k.kind == NobodyWatched && k.sub != key {
			found = append(found, condition{kind: NobodyWatched, sub: k.sub})
		}
	}
	if gap.From.IsZero() {
		return found
	}
	since := o.At.Sub(gap.Until)
	return append(found, condition{kind: NobodyWatched, sub: key, reason: "unclean_stop", since: gap.From,
		on:    o.watched && gap.Until.Sub(gap.From) >= unwatchedLeast && since <= unwatchedTold,
		ready: o.seenSince(gap.Until) || since >= unwatchedWait, say: func() words { return sayUnwatched(o, gap) }})
}

// seenSince reports whether the dough was seen after a moment. Just after a start the
// estimate still rests on the last reading before the gap.
func (o *observation) seenSince(t time.Time) bool { return o.sees() && o.e.LastSeen.After(t) }

// sayUnwatched words how long nobody watched and what the dough did meanwhile.
func sayUnwatched(o *observation, gap bake.Span) words {
	v := o.values()
	v["span"] = gap.Until.Sub(gap.From)
	about := o.t.Say("nobody_watched.text", text.Values{"vessel": o.Vessel, "from": gap.From, "until": gap.Until})
	now, next := "", "nobody_watched.ready"
	if !math.IsNaN(o.e.RisePercent) {
		now, v["quality"] = "nobody_watched.now", o.t.Say("nobody_watched.guess", nil)
		if o.seenSince(gap.Until) {
			v["quality"] = o.t.Say("nobody_watched.seen", nil)
		}
	}
	switch {
	case o.e.Ready.IsZero():
		next = "nobody_watched.none"
	case o.e.ReadyIsPast || o.e.Ready.Median.Before(o.At):
		next = "nobody_watched.passed"
	}
	said := o.words(v, "nobody_watched.title", now, next, "nobody_watched.do")
	return words{said.title, join(about, said.text)}
}

// clockNotSet: the network has not set the clock.
func clockNotSet(o *observation) []condition {
	return o.machine(condition{kind: ClockNotSet, on: !o.System.ClockSet, hold: clockHold}, nil)
}

// diskNearlyFull: too little of the disk is free.
func diskNearlyFull(o *observation) []condition {
	free, limit := o.System.DiskFreeRatio, diskFreeRatio
	if math.IsNaN(free) {
		return nil
	}
	if o.active(DiskNearlyFull) {
		limit *= 1.5
	}
	return o.machine(condition{kind: DiskNearlyFull, on: free < limit, hold: recoveredAfter}, text.Values{"percent": 100 * free})
}

// underVoltage: the machine reports a weak supply.
func underVoltage(o *observation) []condition {
	return o.machine(condition{kind: UnderVoltage, on: o.System.UnderVoltage, hold: powerHold, rearm: time.Hour},
		text.Values{"since": o.seen(UnderVoltage)})
}

// machine completes the condition of a rule about the machine.
func (o *observation) machine(c condition, v text.Values) []condition {
	c.reason, c.ready, c.say = string(c.kind), true, func() words { return o.plain(c.kind, v) }
	return []condition{c}
}

// trend tells whether a temperature has been going up for half an hour.
type trend struct{ points []heatPoint }

// trendSpan and trendC: this much more than this long ago is warming.
const (
	trendSpan = 30 * time.Minute
	trendC    = 0.7
)

// add takes a temperature in, one a minute is kept, and reports whether it is
// warming. Until a quarter of an hour is known it says yes, to wait.
func (h *trend) add(now time.Time, c float64) bool {
	if math.IsNaN(c) {
		return false
	}
	if n := len(h.points); n == 0 || now.Sub(h.points[n-1].at) >= time.Minute {
		h.points = append(h.points, heatPoint{now, c})
	}
	for len(h.points) > 1 && now.Sub(h.points[1].at) >= trendSpan {
		h.points = h.points[1:]
	}
	known := now.Sub(h.points[0].at)
	if known < trendSpan/2 {
		return true
	}
	return c-h.points[0].c >= trendC*min(1, float64(known)/float64(trendSpan))
}
