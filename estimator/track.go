package estimator

import (
	"math"

	"tidemark/estimator/kinetics"
)

// track follows what a rise has done so far: its height, its speed, its fall.
type track struct {
	haveHigh bool
	highL    float64 // highest smoothed volume since the last knock, litres as read
	highAt   float64 // hours
	liveL    float64 // highest smoothed volume since the last knock and the last gap
	sightAt  float64 // end of the last gap, hours
	highRise float64 // highest rise since the last knock, percent
	peakRise float64 // highest rise of all, percent
	peakAt   float64 // when, hours; 0 not yet

	doughC   float64 // last temperature, NaN unknown
	speed    float64 // relative growth speed at doughC, 1 at 24 C
	growth   float64 // growth-hours at 24 C so far
	growthAt float64
	haveAt   bool

	bestRate float64 // highest believable growth rate at 24 C, percent per growth-hour
}

func newTrack() track {
	return track{doughC: math.NaN(), speed: 1, sightAt: math.Inf(-1)}
}

// restart forgets heights and rates but keeps the clock of growth.
func (k *track) restart() {
	*k = track{
		doughC: k.doughC, speed: k.speed, growth: k.growth,
		growthAt: k.growthAt, haveAt: k.haveAt, sightAt: math.Inf(-1),
	}
}

// reseen takes back the heights seen after a moment, of a sensor that hung.
func (k *track) reseen(volumeL, at float64) {
	if k.haveHigh && k.highAt > at {
		k.highL, k.highAt = volumeL, at
		k.liveL = min(k.liveL, k.highL)
	}
}

// rose notes the rise as it is estimated. While nothing has risen yet, the level
// now is the highest: a ball that spreads sinks from no peak.
func (k *track) rose(v view, unrisen bool) {
	if !v.known {
		return
	}
	if unrisen {
		k.haveHigh, k.highRise, k.peakRise, k.peakAt = false, v.rise, v.rise, v.now
		return
	}
	k.highRise = max(k.highRise, v.rise)
	if v.rise > k.peakRise || k.peakAt == 0 {
		k.peakRise, k.peakAt = v.rise, v.now
	}
	if sure := (v.rate - v.rateSD) / k.speed; v.seeing && v.sinceKnock > 0.25 && sure > k.bestRate {
		k.bestRate = sure
	}
}

// knocked begins the search for the highest level anew.
func (k *track) knocked() { k.haveHigh, k.highRise = false, 0 }

// sighted notes the end of a gap: what changed in it was not watched.
func (k *track) sighted(at float64) { k.sightAt = at }

// warm moves the clock of growth on to t and then takes the temperature over.
func (k *track) warm(t, doughC float64) {
	if k.haveAt {
		k.growth += k.speed * max(t-k.growthAt, 0)
	}
	k.growthAt, k.haveAt = max(t, k.growthAt), true
	if !math.IsNaN(doughC) && doughC != k.doughC {
		k.doughC, k.speed = doughC, relativeSpeed(doughC)
	}
}

// relativeSpeed is how fast dough grows at a temperature against 24 C: the mean
// of two published responses (package kinetics), which disagree above 28 C.
func relativeSpeed(doughC float64) float64 {
	ctmi := kinetics.Cerevisiae()
	a := kinetics.Ganzle(doughC) / kinetics.Ganzle(24)
	b := ctmi.Rate(doughC) / ctmi.Rate(24)
	return max((a+b)/2, 0.01)
}

// follow looks at the filter after an update at t.
func (k *track) follow(r *rise, t float64) {
	f := &r.kf
	v := r.cfg.Profile.Volume(f.level)
	if sd := math.Sqrt(f.p11); sd > 0.08*max(f.level, 20) {
		return
	}
	if !k.haveHigh || v > k.liveL || t-k.sightAt < againHours {
		k.liveL = v
	}
	if !k.haveHigh || v > k.highL {
		k.haveHigh, k.highL, k.highAt = true, v, t
	}
}

// How a fall after a gap is judged: a sensor moved unseen looks like a collapse,
// but for that a collapse goes on.
const (
	againHours = 5.0 / 60 // after a gap the filter finds its level first
	liveFall   = 0.02     // share of the volume that must be seen to fall
)

// fall is the share of the highest volume that has been lost since, 0..1. What
// was lost in a gap counts only once the fall is seen to go on.
func (k *track) fall(volumeL float64) float64 {
	if !k.haveHigh || k.highL <= 0 || k.liveL <= 0 {
		return 0
	}
	if live := (k.liveL - volumeL) / k.liveL; live < liveFall {
		return max(live, 0)
	}
	return max((k.highL-volumeL)/k.highL, 0)
}
