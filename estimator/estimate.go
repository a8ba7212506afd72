package estimator

import (
	"math"
	"time"
)

// Estimate says what is known at a moment, which must not be earlier than the
// latest sample. It refits the forecast when half a minute has passed since the
// last time or something was told, and it moves the phase on, so call it at
// least every minute or so. After the end of a rise it goes on saying how things
// stood then; only temperatures and counts follow the readings.
func (e *Estimator) Estimate(now time.Time) Estimate { return e.estimate(now, false) }

// CatchUp is Estimate for stored samples that are fed in again: the state moves on
// as it would, but the forecast is refitted every few minutes only, and what is
// there to be looked at (fan, carry-over) is left out. The next Estimate makes all
// of it good.
func (e *Estimator) CatchUp(now time.Time) Estimate { return e.estimate(now, true) }

func (e *Estimator) estimate(now time.Time, hasty bool) Estimate {
	nan := math.NaN()
	out := Estimate{
		Time: now, LevelMM: nan, VolumeL: nan, RisePercent: nan, RiseSD: nan,
		RatePercentPerHour: nan, RateSD: nan, DoughC: nan, AirC: nan,
		TargetPercent: e.target(), ReachChance: nan, CeilingPercent: nan, CeilingLow: nan,
		CeilingHigh: nan, CarryOverPercent: nan, PeakPercent: nan, Phase: Idle,
		Quality: QualityOK, Rejected: e.counts(),
	}
	if e.clock.epoch.IsZero() {
		return out
	}
	t := e.clock.hours(now)
	out.DoughC, out.AirC = e.dough.lately(t), e.air.lately(t)
	if e.ended {
		t = min(t, e.phases.since) // the last state stands
	}
	if e.everSeen {
		out.LastSeen = e.clock.at(e.lastSeen).In(now.Location())
	}
	e.quality(&out, t)
	if e.rises == 0 {
		e.idle(&out)
		return out
	}
	e.refit(t, hasty)
	v := e.look(t)
	if e.rise.active {
		e.phases.advance(v, e.cfg.Holds)
		e.rise.track.rose(v, e.phases.phase == Settling || e.phases.phase == Lag)
	}
	e.fill(&out, v)
	return out
}

// idle fills what is known without a rise.
func (e *Estimator) idle(out *Estimate) {
	if e.everSeen {
		out.LevelMM = e.rawLevelMM
		out.VolumeL = e.cfg.Profile.Volume(e.rawLevelMM)
	}
}

// look sums the rise up for the phase rules.
func (e *Estimator) look(t float64) view {
	r := &e.rise
	nan := math.NaN()
	v := view{
		now: t, start: r.start, target: e.target(), lead: e.cfg.Lead.Hours(),
		rise: nan, sd: nan, rate: nan, rateSD: nan, slow: nan,
		cold: r.cold, sinceDegas: t - r.lastShift, out: e.cached.out,
		seeing: e.seeing(t),
		flat:   e.noise.flat(t),
	}
	v.growth, v.speed = e.fit.Growth(t - r.start)
	if !e.cached.fitted {
		v.out = noOutlook()
	}
	v.rise, v.sd = e.fit.Rise(t - r.start)
	v.known = !math.IsNaN(v.rise)
	if !v.known {
		return v
	}
	v.sd = math.Hypot(v.sd, r.unsettled(t))
	v.rate, v.rateSD = e.rate(v)
	if r.track.haveHigh && !e.cfg.ByHand {
		volume := e.cfg.Profile.Volume(r.kf.level)
		v.fall, v.fallSD = r.track.fall(volume), math.Sqrt(r.kf.p11)*e.cfg.Profile.Area(r.kf.level)/volume
	}
	v.highRise = max(r.track.highRise, v.rise)
	if r.track.bestRate > 0 {
		v.slow = (v.rate / v.speed) / r.track.bestRate
	}
	return v
}

// rate returns the speed of the rise in percent an hour and its standard deviation:
// that of the forecast's curves, or of the level filter where it contradicts them.
func (e *Estimator) rate(v view) (perHour, sd float64) {
	perHour, sd = e.fit.Rate()
	f := &e.rise.kf
	base, _ := e.fit.Baseline()
	if e.cfg.ByHand || !v.seeing || !e.rise.kfOn || !(base > 0) {
		return perHour, sd
	}
	share := 100 * e.cfg.Profile.Area(f.level) / base
	seen, seenSD := share*f.rate, share*math.Sqrt(f.p22)
	if math.Abs(seen-perHour) > rateContradicts*math.Hypot(seenSD, sd) {
		return seen, seenSD
	}
	return perHour, sd
}

// seeing reports whether what is known of the level is fresh.
func (e *Estimator) seeing(t float64) bool {
	if e.cfg.ByHand {
		return true
	}
	return t-e.lastSeen < e.blindAfter() && e.rise.acquiring == tracking && e.everSeen
}

// unsettled is the doubt in points of rise while readings speak against the filter
// and nothing is decided yet.
func (r *rise) unsettled(t float64) float64 {
	share := 0.0
	switch {
	case r.acquiring == acquireFold:
		share = 0.08
	case r.acquiring == acquireMove:
		share = 0.02
	case r.pend.n >= 2 && t-r.pend.last < minutes(5):
		share = min(math.Abs(r.pend.level-r.kf.level)/2/max(math.Abs(r.kf.level), 1), 0.1)
	}
	if share == 0 {
		return 0
	}
	return 100 * share * r.cfg.Profile.Volume(r.kf.level) / max(r.cfg.Profile.Volume(r.base.level), 1e-6)
}

// fill copies everything into the estimate.
func (e *Estimator) fill(out *Estimate, v view) {
	r := &e.rise
	zone := out.Time.Location()
	when := func(hours float64) time.Time { return e.clock.at(hours).In(zone) }
	out.Started = when(r.start)
	out.Phase, out.PhaseSince = e.phases.phase, when(e.phases.since)
	out.Exhausted, out.LevelsOffShort = e.phases.exhausted, e.phases.levelsOff
	out.EquivalentHours = v.growth
	out.Notes = r.notes.list(when)
	if v.known {
		if base, sd := e.fit.Baseline(); base > 0 {
			out.BaselineL, out.BaselineSDL = base, sd
			out.VolumeL = base * (1 + v.rise/100)
			out.LevelMM = e.cfg.Profile.Height(out.VolumeL)
		}
		out.RisePercent, out.RiseSD = v.rise, v.sd
		out.RatePercentPerHour, out.RateSD = v.rate, v.rateSD
		if r.track.peakAt > 0 {
			out.PeakPercent, out.PeakAt = r.track.peakRise, when(r.track.peakAt)
		}
	} else if e.everSeen {
		out.LevelMM = e.rawLevelMM
		out.VolumeL = e.cfg.Profile.Volume(e.rawLevelMM)
	}
	e.fillForecast(out, v, when)
}

// fillForecast copies what the forecast says.
func (e *Estimator) fillForecast(out *Estimate, v view, when func(float64) time.Time) {
	o, mark := v.out, v.out.Crossing
	if e.phases.mark.Known {
		mark = e.phases.mark
	}
	out.ReachChance = mark.Chance
	out.CeilingLow, out.CeilingPercent, out.CeilingHigh = o.ceiling[0], o.ceiling[1], o.ceiling[2]
	if !math.IsInf(mark.Even, 1) {
		out.Even = when(mark.Even)
	}
	if mark.Known {
		out.Ready = Window{when(mark.From), when(mark.Median), when(mark.Until)}
		// Seen, it has to last: see phases.
		out.ReadyIsPast = e.phases.mark.Known || !v.seeing && mark.Past && mark.Median <= v.now
	}
	if !e.cached.fitted {
		return
	}
	if !math.IsNaN(o.ends[1]) {
		out.GoodUntil = Window{when(o.ends[0]), when(o.ends[1]), when(o.ends[2])}
	}
	out.CarryOverPercent, out.LookRequest = e.cached.carry, e.cached.look
	out.Fan = append([]FanPoint(nil), e.cached.fan...)
}

// counts is the number of readings not believed, by reason.
func (e *Estimator) counts() map[string]int {
	m := make(map[string]int)
	for r, n := range e.rejected {
		if n > 0 && counted(reason(r)) {
			m[reason(r).word()] = n
		}
	}
	return m
}
