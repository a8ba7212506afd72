package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// stay follows where a starter stands since it was fed, and how warm. The zero Stay
// knows nothing.
type stay struct {
	ColdFrom time.Time // when it went into the cold; zero while it stands warm
	Since    time.Time // of the last temperature
	sumC, h  float64   // degree hours and hours while warm
	lastC    float64
}

// follow takes in one sample: temperatures in Celsius, NaN where none was measured.
func (s *stay) follow(at time.Time, e estimator.Event, doughC, airC float64) {
	switch e {
	case estimator.Start:
		*s = stay{Since: at, lastC: s.lastC}
	case estimator.Fridge:
		if s.ColdFrom.IsZero() {
			s.ColdFrom = at
		}
	case estimator.Counter:
		s.ColdFrom = time.Time{}
	}
	c := doughC
	if math.IsNaN(c) {
		c = airC
	}
	if math.IsNaN(c) {
		return
	}
	if d := at.Sub(s.Since).Hours(); s.ColdFrom.IsZero() && d > 0 && d < 1 {
		s.sumC, s.h = s.sumC+c*d, s.h+d
	}
	s.Since, s.lastC = at, c
}

// meanC returns the mean temperature in Celsius while it stood warm, 0 when nothing
// was measured.
func (s *stay) meanC() float64 {
	if s.h > 0 {
		return s.sumC / s.h
	}
	return s.lastC
}
