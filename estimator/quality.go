package estimator

// blindAfter is how long no believed reading may come before the estimate is
// called carried on, hours.
func (e *Estimator) blindAfter() float64 {
	return max(2.5*e.clock.interval, min(minutes(2.5), e.cfg.LostAfter.Hours()))
}

// quality judges whether the estimate rests on what the sensor shows now.
func (e *Estimator) quality(out *Estimate, t float64) {
	if e.rises == 0 || e.ended || e.cfg.ByHand { // no sensor to lose
		return
	}
	since := e.rise.start
	if e.everSeen && e.lastSeen > since {
		since = e.lastSeen
	}
	if r := &e.rise; r.acquiring == acquireFold || r.acquiring == acquireMove {
		since = max(since, r.acquireFrom) // told: a new level takes some readings to be found
	}
	if t-since <= e.blindAfter() {
		return
	}
	if e.refusedSince > 0 && t-e.lastRefused <= e.blindAfter() {
		out.Quality = QualitySuspect
		out.QualityReason = e.lastReason.cause()
		return
	}
	out.Quality, out.QualityReason = QualityGap, NoReading
}

// cause is what a refusal points to.
func (r reason) cause() Cause {
	switch r {
	case rOutOfRange, rBelowFloor:
		return NothingInRange
	case rTooNear, rAboveVessel:
		return TooNear
	case rEmpty:
		return EmptyVessel
	case rStuck:
		return SensorStuck
	case rHandling, rSpike:
		return VesselMoved
	default:
		return UselessReadings
	}
}
