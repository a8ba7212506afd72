package estimator

import (
	"fmt"
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
		out.PhaseReason = "No rise has been started."
		out.NoForecast = "No forecast: no rise is being watched."
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
		e.rise.track.warm(t, nan)
		before := e.phases.phase
		e.phases.advance(v, e.cfg.Holds)
		e.phaseChanged(before)
		if p := e.phases.phase; p == Settling || p == Lag {
			e.rise.track.unrisen(e.cfg.Profile.Volume(e.rise.kf.level), t) // a ball that spreads sinks from no peak
		}
	}
	e.fill(&out, v)
	return out
}

// idle fills what is known without a rise.
func (e *Estimator) idle(out *Estimate) {
	out.PhaseReason = "No rise has been started."
	out.NoForecast = "No forecast: no rise is being watched."
	if e.everSeen {
		out.LevelMM = e.rawLevelMM
		out.VolumeL = e.cfg.Profile.Volume(e.rawLevelMM)
	}
}

// phaseChanged acts on a change of phase: from a collapse on, levels say nothing
// about growth.
func (e *Estimator) phaseChanged(before Phase) {
	now := e.phases.phase
	if now == before {
		return
	}
	switch now {
	case Fallen, Falling:
		e.rise.news.put(item{kind: isStop, at: e.rise.track.highAt})
	case Peak:
		e.phases.readyGrowth = e.rise.track.growth
	}
}

// baselineL is the start volume and its standard deviation, litres; NaN before
// the level was found.
func (e *Estimator) baselineL() (float64, float64) {
	r := &e.rise
	switch {
	case e.cached.fitted:
		return e.cached.baseL, e.cached.baseSDL
	case r.hintL > 0, r.base.known():
		return e.seenBaseline()
	}
	return math.NaN(), math.NaN()
}

// seenBaseline is the start volume as it was read, and its standard deviation: what
// was known before a restart, else from the first minutes.
func (e *Estimator) seenBaseline() (float64, float64) {
	if r := &e.rise; r.hintL > 0 {
		return r.hintL, max(r.hintSDL, 0.002*r.hintL)
	}
	p := e.cfg.Profile
	level, variance := e.rise.base.estimate(e.rise.bucketR)
	return p.Volume(level), p.Area(level) * math.Sqrt(variance)
}

// present is the volume now and its standard deviation, litres, and the growth
// rate likewise, litres per hour.
func (e *Estimator) present(t float64) (volume, sd, rate, rateSD float64) {
	r := &e.rise
	p := e.cfg.Profile
	f := r.kf
	blind := max(t-r.kfAt, 0)
	f.predict(min(blind, minutes(10)))
	area := p.Area(f.level)
	volume, sd = p.Volume(f.level), area*math.Sqrt(f.p11+sq(r.unsettled(t)))
	rate, rateSD = area*f.rate, area*math.Sqrt(f.p22)
	weight := min(max((blind-minutes(2))/minutes(5), 0), 1)
	if weight == 0 {
		return volume, sd, rate, rateSD
	}
	later, laterSD, ok := e.foreseen(t)
	if !ok {
		// Without a forecast the level is held, with a doubt that grows.
		return volume, sd + area*max(f.rate, 1)*blind, rate * (1 - weight), rateSD + math.Abs(rate)*weight
	}
	volume += weight * (later - volume)
	return volume, max(sd, weight*laterSD), rate, rateSD
}

// foreseen is the forecast of the volume now.
func (e *Estimator) foreseen(t float64) (volume, sd float64, ok bool) {
	if !e.cached.fitted || e.phases.phase == Fallen || e.phases.phase == Falling || e.phases.phase == Hungry {
		return 0, 0, false
	}
	rise, riseSD := e.fit.Rise(duration(t - e.rise.start))
	return e.cached.fitL * (1 + rise/100), e.cached.fitL * riseSD / 100, true
}

// look sums the rise up for the phase rules.
func (e *Estimator) look(t float64) view {
	r := &e.rise
	nan := math.NaN()
	v := view{
		now: t, start: r.start, target: e.target(), lead: e.cfg.Lead.Hours(),
		rise: nan, sd: nan, rate: nan, rateSD: nan, slow: nan,
		cold: r.cold, sinceKnock: t - r.lastShift, growth: r.track.growth, out: e.cached.out,
		seeing: t-e.lastSeen < e.blindAfter() && r.find == notSeeking && e.everSeen,
		still:  e.noise.resting(t),
	}
	if !e.cached.fitted {
		v.out = noOutlook(e.whyNoForecast())
	}
	baseL, baseSD := e.baselineL()
	if !r.kfOn || math.IsNaN(baseL) || baseL <= 0 {
		return v
	}
	v.known = true
	volume, sd, rate, rateSD := e.present(t)
	v.volume = volume
	percent := 100 / baseL
	v.rise = percent*volume - 100
	surface := math.Hypot(e.cfg.SurfaceSDMM, math.Sqrt(r.offsetR)) * e.cfg.Profile.Area(r.kf.level)
	v.sd = percent * math.Sqrt(sd*sd+surface*surface+sq(volume/baseL*baseSD))
	v.rate, v.rateSD = percent*rate, percent*rateSD
	v.fall, v.fallSD = r.track.fall(volume), sd/volume
	if r.track.haveHigh {
		v.highRise, v.highAt = percent*r.track.highL-100, r.track.highAt
	}
	if r.track.bestRate > 0 {
		v.slow = (rate / r.track.speed) / r.track.bestRate
	}
	return v
}

// unsettled is the doubt in mm while readings speak against the filter and
// nothing is decided yet.
func (r *rise) unsettled(t float64) float64 {
	switch {
	case r.find == seekFold:
		return 0.08 * r.kf.level
	case r.find == seekMove:
		return 0.02 * r.kf.level
	case r.pend.n >= 2 && t-r.pend.last < minutes(5):
		return math.Min(math.Abs(r.pend.level-r.kf.level)/2, 0.1*math.Abs(r.kf.level))
	}
	return 0
}

func sq(x float64) float64 { return x * x }

// whyNoForecast says why there is none.
func (e *Estimator) whyNoForecast() string {
	switch {
	case e.ended:
		return "No forecast: the rise has ended."
	case !e.rise.kfOn:
		return "No forecast yet: the level has not been seen."
	case e.cached.out.why != "":
		return e.cached.out.why
	}
	return "No forecast yet: 10 minutes of readings are needed."
}

// fill copies everything into the estimate.
func (e *Estimator) fill(out *Estimate, v view) {
	r := &e.rise
	zone := out.Time.Location()
	when := func(hours float64) time.Time { return e.clock.at(hours).In(zone) }
	out.Started = when(r.start)
	out.Phase, out.PhaseSince, out.PhaseReason = e.phases.phase, when(e.phases.since), e.phases.reason
	out.Exhausted, out.ExhaustedReason = e.phases.exhausted != "", e.phases.exhausted
	out.LevelsOffShort = e.phases.levelsOff
	out.EquivalentHours = r.track.growth
	out.Notes = e.remarks(when)
	if v.known {
		out.BaselineL, out.BaselineSDL = e.baselineL()
		out.VolumeL = v.volume
		out.LevelMM = e.cfg.Profile.Height(v.volume)
		out.RisePercent, out.RiseSD = v.rise, v.sd
		out.RatePercentPerHour, out.RateSD = v.rate, v.rateSD
		if r.track.peakKnown {
			out.PeakPercent = 100 * (r.track.peakL/out.BaselineL - 1)
			out.PeakAt = when(r.track.peakAt)
		}
	} else if e.everSeen {
		out.LevelMM = e.rawLevelMM
		out.VolumeL = e.cfg.Profile.Volume(e.rawLevelMM)
	}
	e.fillForecast(out, v, when)
}

// fillForecast copies what the forecast says.
func (e *Estimator) fillForecast(out *Estimate, v view, when func(float64) time.Time) {
	o := v.out
	out.ReachChance = o.chance
	out.CeilingLow, out.CeilingPercent, out.CeilingHigh = o.ceilingLow, o.ceiling, o.ceilingHigh
	reached := e.phases.reached
	switch {
	case o.known:
		out.Ready = Window{when(o.from), when(o.median), when(o.until)}
		out.ReadyIsPast = o.past && o.median <= v.now
	default:
		out.NoForecast = o.why
	}
	if reached > 0 {
		out.ReadyIsPast, out.NoForecast = true, ""
		if !o.known || o.median > v.now {
			at := when(reached)
			out.Ready = Window{at, at, at}
		}
	}
	if !e.cached.fitted {
		return
	}
	out.CarryOverPercent = e.cached.carry
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

// batchMisfit is how far the start volume may be from the batch's, as a share.
const batchMisfit = 0.25

// remarks are the notes in words.
func (e *Estimator) remarks(when func(float64) time.Time) []string {
	var out []string
	r := &e.rise
	for _, n := range r.notes.list[:r.notes.n] {
		out = append(out, n.words(when(n.at)))
	}
	baseL, sdL := e.baselineL()
	if want := e.cfg.BatchVolumeL; want > 0 && math.Abs(baseL-want) > batchMisfit*want+2*sdL && e.phases.phase != Settling {
		out = append(out, fmt.Sprintf("The start volume reads %.2f L but the batch should fill %.2f L: check the floor distance and the vessel's profile.", baseL, want))
	}
	if e.phases.levelsOff && r.track.growth > deadGrowth && r.track.peakKnown && 100*(r.track.peakL/baseL-1) < deadPoints {
		out = append(out, fmt.Sprintf("Hardly any rise after the worth of %.0f hours at 24 °C: the starter may be too weak or forgotten.", r.track.growth))
	}
	if r.kfOn && e.cfg.Profile.Above(r.kf.level) {
		out = append(out, "The dough stands above the known part of the vessel: its volume there is reckoned as if the walls went straight on.")
	}
	return out
}
