package alert

import (
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// fridgeAirC: air this cold is a fridge, whatever was marked.
const fridgeAirC = 9

// heatRearm is how long an oven must be quiet before it can be told again.
const heatRearm = 15 * time.Minute

// unwatchedLeast is the shortest span worth a message, unwatchedTold how long
// after the start it is still worth one.
const (
	unwatchedLeast = 2 * time.Minute
	unwatchedWait  = 3 * time.Minute
	unwatchedTold  = 30 * time.Minute
)

// ovenHeating: see heatTest. It has no hold of its own.
func ovenHeating(l *look) []finding {
	if !l.watched {
		return nil
	}
	f := finding{kind: OvenHeating, rearm: heatRearm, ripe: true}
	if l.hot != nil {
		f.on, f.reason, f.since = true, l.hot.reason, l.hot.since
		f.say = func() words { return sayOven(l) }
	}
	return []finding{f}
}

// sayOven words the oven warning, the worst case first: a door that is opened feeds
// a fire. That is common practice of fire services, no source; theirs comes first.
func sayOven(l *look) words {
	t := l.t
	v := text.Values{"vessel": l.Vessel, "before_c": l.hot.beforeC, "temp_c": l.hot.nowC,
		"span": l.Now.Sub(l.hot.since)}
	key := "oven_heating.text.dough"
	switch {
	case l.hot.reason == BeyondLimit:
		key = "oven_heating.text.limit"
	case l.hotAir:
		key = "oven_heating.text.air"
	}
	return words{t.Say("oven_heating.title", v), join(t.Say("oven_heating.fire", nil), t.Say("oven_heating.do", nil), t.Say(key, v))}
}

// sensorLost: the dough was not seen for longer than LostAfter. It makes no
// difference whether readings are missing or are there and show no dough: nobody
// looks after it either way, so both are told alike and in the same time.
func sensorLost(l *look) []finding {
	if !l.watched {
		return nil
	}
	f := finding{kind: SensorLost, reason: NoReading, ripe: true, on: l.e.Quality == estimator.QualityGap || l.e.Quality == estimator.QualitySuspect,
		hold: l.w.rules.LostAfter, say: func() words { return sayLost(l) }, sayEnd: func(s *slot) words { return sayBack(l, s) }}
	if seen := l.e.LastSeen; f.on && !seen.IsZero() {
		f.since = seen
		f.ripe = l.silentFor(seen) >= l.w.rules.LostAfter
		f.hold = 0
	}
	return []finding{f}
}

// silentFor is how long a sensor has given nothing although it could have been
// asked: since it was seen last, or since the vessel is watched without a break.
func (l *look) silentFor(seen time.Time) time.Duration {
	if l.System.Awake.After(seen) {
		seen = l.System.Awake
	}
	return l.Now.Sub(seen)
}

// sayLost words that the dough is not seen.
func sayLost(l *look) words {
	t, v := l.t, l.values()
	v["since"] = l.e.LastSeen
	v["reason"] = l.cause("cause.no_reading")
	if l.e.LastSeen.IsZero() {
		return words{t.Say("sensor_lost.title.never", v), join(t.Say("sensor_lost.text.never", v), t.Say("sensor_lost.do", nil))}
	}
	parts := []string{t.Say("sensor_lost.text", v)}
	if !math.IsNaN(l.e.RisePercent) && l.e.RisePercent != 0 {
		parts = append(parts, t.Say("sensor_lost.last", v))
	}
	if !l.e.Ready.IsZero() && !l.e.ReadyIsPast {
		parts = append(parts, t.Say("sensor_lost.ready", v))
	}
	return words{t.Say("sensor_lost.title", v), join(append(parts, t.Say("sensor_lost.do", nil))...)}
}

// sayBack words that the dough is seen again.
func sayBack(l *look, s *slot) words {
	t, v := l.t, l.values()
	v["span"] = l.e.LastSeen.Sub(s.alarm.Since) - l.Now.Sub(s.clear)
	return words{t.Say("sensor_lost.back.title", v), t.Say("sensor_lost.back.text", v)}
}

// cause says in the household's language why the sensor does not see, from what
// the estimate says in English; otherwise is the key to use when it says
// nothing. A reason that is not known here is passed on as it is.
func (l *look) cause(otherwise string) string {
	reason := l.e.QualityReason
	if reason == "" {
		return l.t.Say(otherwise, nil)
	}
	if key := l.faultCause(); key != "" && l.e.Quality == estimator.QualityGap {
		return l.t.Say(key, nil)
	}
	for _, c := range [][2]string{
		{"nothing in range", "nothing_in_range"}, {"nearer than the dough", "too_near"}, {"empty floor", "empty"},
		{"repeats the same reading", "stuck"}, {"do not agree", "moved"}, {"no reading", "no_reading"}, {"No reading", "no_reading"},
	} {
		if strings.Contains(reason, c[0]) {
			return l.t.Say("cause."+c[1], nil)
		}
	}
	if i := strings.LastIndex(reason, ": "); i >= 0 {
		reason = reason[i+2:]
	}
	return sentence(reason)
}

// faultCause is the key of what the height sensor itself says is wrong; empty
// when it says nothing more than that there is no reading.
func (l *look) faultCause() string {
	switch l.HeightFault {
	case "stuck":
		return "cause.stuck"
	case "stale":
		return "cause.node"
	case "unreliable":
		return "cause.unreliable"
	}
	return ""
}

// sentence returns text with a full stop.
func sentence(text string) string {
	if text != "" && !strings.HasSuffix(text, ".") && !strings.HasSuffix(text, "?") {
		text += "."
	}
	return text
}

// sensorSuspect: readings arrive but are not believed. Not while the sensor is
// lost: that is one trouble, told once. It comes where a household gave a vessel
// so long a LostAfter that this is the earlier word.
func sensorSuspect(l *look) []finding {
	if !l.watched {
		return nil
	}
	return []finding{{kind: SensorSuspect, reason: NotBelieved, ripe: true,
		on:      l.e.Quality == estimator.QualitySuspect,
		unknown: l.open(SensorLost) || l.e.Quality == estimator.QualityGap && l.open(SensorSuspect),
		hold:    l.w.rules.SuspectHold, say: func() words { return saySuspect(l) }}}
}

// saySuspect words that readings are not believed.
func saySuspect(l *look) words {
	t, v := l.t, l.values()
	v["since"] = l.w.peek(l.Input, finding{kind: SensorSuspect}).since
	v["reason"] = l.cause("cause.unknown")
	return words{t.Say("sensor_suspect.title", v), join(t.Say("sensor_suspect.text", v), t.Say("sensor_suspect.do", nil))}
}

// tooHot: the dough is above the limit. Not while an oven is told.
func tooHot(l *look) []finding {
	if !l.watched {
		return nil
	}
	c, limit := l.e.DoughC, l.w.rules.TooHotC
	if l.active(TooHot) {
		limit -= l.w.rules.TempBandC
	}
	return []finding{{kind: TooHot, reason: DoughHot, ripe: true, on: c >= limit,
		unknown: math.IsNaN(c) || l.open(OvenHeating), hold: l.w.rules.TooHotHold,
		say: func() words { return sayTemp(l, TooHot, l.w.rules.TooHotC) }}}
}

// tooCold: the dough is below the limit, not in the fridge and not warming up.
func tooCold(l *look) []finding {
	if !l.watched {
		return nil
	}
	c, limit := l.e.DoughC, l.w.rules.TooColdC
	if l.active(TooCold) {
		limit += l.w.rules.TempBandC
	}
	fridge := l.InFridge || l.e.AirC <= fridgeAirC
	on := c <= limit && !fridge && (!l.warming || l.open(TooCold))
	return []finding{{kind: TooCold, reason: DoughCold, ripe: true, on: on, unknown: math.IsNaN(c),
		hold: l.w.rules.TooColdHold, say: func() words { return sayTemp(l, TooCold, l.w.rules.TooColdC) }}}
}

// sayTemp words a dough temperature beyond a limit.
func sayTemp(l *look, kind Kind, limitC float64) words {
	t, key := l.t, string(kind)
	v := text.Values{"vessel": l.Vessel, "temp_c": l.e.DoughC, "limit_c": limitC,
		"since": l.w.peek(l.Input, finding{kind: kind}).since}
	return words{t.Say(key+".title", v), join(t.Say(key+".text", v), t.Say(key+".do", nil))}
}

// nobodyWatched: after an unclean stop. It waits a little for a first reading,
// so that it can say how the dough is.
func nobodyWatched(l *look) []finding {
	gap := l.System.Unwatched
	if gap.IsZero() {
		return l.closeSpans("")
	}
	since := l.Now.Sub(gap.Until)
	key := spanKey(gap.From)
	worth := l.watched && gap.Until.Sub(gap.From) >= unwatchedLeast && since <= unwatchedTold
	f := finding{kind: NobodyWatched, sub: key, on: worth, ripe: l.seenSince(gap.Until) || since >= unwatchedWait,
		reason: "unclean_stop", since: gap.From, say: func() words { return sayUnwatched(l, gap) }}
	return append(l.closeSpans(key), f)
}

// seenSince tells whether the level was seen after a moment. Just after a start
// the estimate still rests on the last reading before the gap.
func (l *look) seenSince(t time.Time) bool { return l.sees() && l.e.LastSeen.After(t) }

// closeSpans lets the messages about other spans run out.
func (l *look) closeSpans(except string) []finding {
	var found []finding
	for _, k := range l.w.keys() {
		if k.kind == NobodyWatched && k.vessel == l.Vessel && k.sub != except {
			found = append(found, finding{kind: NobodyWatched, sub: k.sub})
		}
	}
	return found
}

// sayUnwatched words how long nobody watched and what the dough did meanwhile.
func sayUnwatched(l *look, gap Span) words {
	t, v := l.t, l.values()
	about := t.Say("nobody_watched.text", text.Values{"vessel": l.Vessel, "from": gap.From, "until": gap.Until})
	v["span"] = gap.Until.Sub(gap.From)
	parts := []string{about}
	if !math.IsNaN(l.e.RisePercent) {
		v["quality"] = t.Say("nobody_watched.guess", nil)
		if l.seenSince(gap.Until) {
			v["quality"] = t.Say("nobody_watched.seen", nil)
		}
		parts = append(parts, t.Say("nobody_watched.now", v))
	}
	next := "nobody_watched.ready"
	switch {
	case l.e.Ready.IsZero():
		next = "nobody_watched.none"
	case l.e.ReadyIsPast || l.e.Ready.Median.Before(l.Now):
		next = "nobody_watched.passed"
	}
	parts = append(parts, t.Say(next, v), t.Say("nobody_watched.do", nil))
	return words{t.Say("nobody_watched.title", v), join(parts...)}
}

// clockNotSet: the network has not set the clock.
func clockNotSet(l *look) []finding {
	return machine(l, ClockNotSet, !l.System.ClockSet, l.w.rules.ClockHold, nil)
}

// diskNearlyFull: too little of the disk is free.
func diskNearlyFull(l *look) []finding {
	free, limit := l.System.DiskFreeRatio, l.w.rules.DiskRatio
	if math.IsNaN(free) {
		return nil
	}
	if l.active(DiskNearlyFull) {
		limit *= 1.5
	}
	return machine(l, DiskNearlyFull, free < limit, l.w.rules.Rearm, text.Values{"percent": 100 * free})
}

// underVoltage: the machine reports a weak supply.
func underVoltage(l *look) []finding {
	v := text.Values{"since": orTime(l.w.peek(l.Input, finding{kind: UnderVoltage}).since, l.Now)}
	found := machine(l, UnderVoltage, l.System.UnderVoltage, l.w.rules.PowerHold, v)
	found[0].rearm = time.Hour
	return found
}

// machine builds the finding of a rule about the machine.
func machine(l *look, kind Kind, on bool, hold time.Duration, v text.Values) []finding {
	t, key := l.t, string(kind)
	return []finding{{kind: kind, reason: key, on: on, ripe: true, hold: hold, say: func() words {
		return words{t.Say(key+".title", v), join(t.Say(key+".text", v), t.Say(key+".do", nil))}
	}}}
}
