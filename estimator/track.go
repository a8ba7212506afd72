package estimator

import "math"

// track follows what a rise has done so far: its height, its speed, its fall.
type track struct {
	haveHigh bool
	highL    float64 // highest smoothed volume since the last degas, litres as read
	highAt   float64 // hours
	liveL    float64 // highest smoothed volume since the last degas and the last gap
	sightAt  float64 // end of the last gap, hours
	highRise float64 // highest rise since the last degas, percent
	peakRise float64 // highest rise of all, percent
	peakAt   float64 // when, hours; 0 not yet

	bestRate float64 // highest believable growth rate at 24 C, percent per growth-hour
}

func newTrack() track {
	return track{sightAt: math.Inf(-1)}
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
	if sure := (v.rate - v.rateSD) / v.speed; v.seeing && v.sinceDegas > 0.25 && sure > k.bestRate {
		k.bestRate = sure
	}
}

// degassed begins the search for the highest level anew.
func (k *track) degassed() { k.haveHigh, k.highRise = false, 0 }

// sighted notes the end of a gap: what changed in it was not watched.
func (k *track) sighted(at float64) { k.sightAt = at }

// follow looks at the filter after an update at t.
func (k *track) follow(r *rise, t float64) {
	f := &r.kf
	v := r.cfg.Profile.Volume(f.level)
	if sd := math.Sqrt(f.p11); sd > 0.08*max(f.level, 20) {
		return
	}
	if !k.haveHigh || v > k.liveL || t-k.sightAt < refindHours {
		k.liveL = v
	}
	if !k.haveHigh || v > k.highL {
		k.haveHigh, k.highL, k.highAt = true, v, t
	}
}

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
