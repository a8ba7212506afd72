package app

import (
	"time"

	"tidemark/alert"
	"tidemark/sensor"
)

// taken is what a sensor of a vessel gave last. Times are by the steady clock.
type taken struct {
	role    role
	reading sensor.Reading
	at      time.Time
	good    float64   // last value measured
	goodAt  time.Time // zero when nothing was measured yet
}

// takenIn is what the sensors of one vessel gave last: few, so a list.
type takenIn []taken

// of finds a sensor's entry; nil when it was not asked yet.
func (l takenIn) of(as role) *taken {
	for i := range l {
		if l[i].role == as {
			return &l[i]
		}
	}
	return nil
}

// took remembers a reading.
func (l *takenIn) took(as role, r sensor.Reading, now time.Time) {
	t := l.of(as)
	if t == nil {
		*l = append(*l, taken{role: as})
		t = &(*l)[len(*l)-1]
	}
	t.reading, t.at = r, now
	if r.Status == sensor.OK {
		t.good, t.goodAt = r.Value, now
	}
}

// shift moves it in time.
func (l takenIn) shift(m alert.ClockStep) {
	for i := range l {
		m.Times(&l[i].at, &l[i].goodAt)
	}
}

// fresh returns the last reading in a role unless it is older than a span; then a
// reading that is none.
func (l takenIn) fresh(as role, now time.Time, span time.Duration) sensor.Reading {
	t := l.of(as)
	if t == nil || now.Sub(t.at) > span {
		return sensor.Reading{Status: sensor.Stale}
	}
	return t.reading
}

// lately is the last value measured in a role unless that is longer ago than a span;
// then NaN.
func (l takenIn) lately(as role, now time.Time, span time.Duration) float64 {
	t := l.of(as)
	if t == nil || t.goodAt.IsZero() || now.Sub(t.goodAt) > span {
		return nan()
	}
	return t.good
}

// fault is why a sensor gave nothing when it was asked last; empty when it did or was
// not asked.
func (l takenIn) fault(as role) string {
	if t := l.of(as); t != nil && t.reading.Status != sensor.OK {
		return string(t.reading.Status)
	}
	return ""
}

// silent lists the thermometers that gave nothing when they were asked last.
func (l takenIn) silent() []alert.Silent {
	var out []alert.Silent
	for _, as := range []role{doughRole, airRole} {
		if l.fault(as) != "" {
			out = append(out, alert.Silent{Sensor: string(as), Since: l.of(as).goodAt})
		}
	}
	return out
}
