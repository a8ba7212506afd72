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
	if r := &e.rise; r.find == seekFold || r.find == seekMove {
		since = max(since, r.findFrom) // told: a new level takes some readings to be found
	}
	if t-since <= e.blindAfter() {
		return
	}
	if e.refusedSince > 0 && t-e.lastRefused <= e.blindAfter() {
		out.Quality = QualitySuspect
		out.QualityReason = e.lastReason.asks()
		return
	}
	out.Quality = QualityGap
	out.QualityReason = "the height gives no reading. Is the sensor connected and powered?"
	if t-since >= e.cfg.LostAfter.Hours() {
		out.QualityReason = "the sensor gives no reading. Cable, power or a crashed bus?"
	}
}

// asks puts a reason into words with a question that helps.
func (r reason) asks() string {
	switch r {
	case rOutOfRange, rBelowFloor:
		return "the sensor answers nothing in range. Lid or cable?"
	case rTooNear, rAboveVessel:
		return "the sensor sees something nearer than the dough can be. A lid, a hand, or a drop on its window?"
	case rEmpty:
		return "the sensor sees the empty floor. Is the vessel under it?"
	case rStuck:
		return "the sensor repeats the same reading to the last digit. It may hang: take its power away and give it back."
	case rHandling, rSpike:
		return "the readings do not agree with what came before. Has the vessel or the sensor been moved?"
	default:
		return "the readings are not usable. Check the sensor and the clock."
	}
}
