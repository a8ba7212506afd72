package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// When a rise that no sensor sees is looked at: some time after the start, then when it
// may be at a half, three quarters and all of its target, but neither soon nor very long
// after a look. This project's choice: each look narrows the time that is told.
const (
	firstLookHours = 2.0 // equivalent hours
	lookSoonest    = 40 * time.Minute
	lookLatest     = 90 * time.Minute
)

// lookAt is when a person should look how far a dough has risen that no sensor sees; zero
// for never. Nobody is asked at night or when away.
func (s *State) lookAt(h Hours) time.Time {
	e := &s.Estimate
	if !s.ByHand || s.RiseID == 0 || s.WorkingOut || s.InFridge || e.ReadyIsPast || e.Phase == estimator.Ended {
		return time.Time{}
	}
	last := time.Time{}
	for _, x := range s.Events {
		if x.Kind == EventLook {
			last = Later(last, x.At)
		}
	}
	at := e.Started.Add(HoursOf(firstLookHours / Speed(knownOr(e.DoughC, e.AirC))))
	if !last.IsZero() {
		at = last.Add(lookLatest)
		for _, share := range []float64{0.5, 0.75, 1} {
			if w, ok := FanCrossing(*e, share*e.TargetPercent); ok && w.From.Sub(last) >= lookSoonest {
				at = Earlier(at, w.From)
			}
		}
	}
	if busy, _ := s.unattended(h, Later(at, s.At)); !busy.Until.IsZero() {
		return busy.Until
	}
	return at
}

// knownOr returns the first temperature that is known; 0 for none.
func knownOr(c, otherwise float64) float64 {
	if math.IsNaN(c) {
		return finite(otherwise)
	}
	return c
}
