package app

import (
	"maps"
	"time"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/sensor"
	"tidemark/web"
)

// lastReading is what a sensor of a vessel gave last, and how it does. Times are by the
// steady clock.
type lastReading struct {
	web.SensorHealth // but for what a reading says itself
	role             role
	reading          sensor.Reading
	at               time.Time
	good             float64   // last value measured
	goodAt           time.Time // zero when nothing was measured yet
}

// lastReadings are those of the sensors of one vessel: few, so a list, in the order in
// which they were first read.
type lastReadings []lastReading

// of finds a sensor's entry; nil when it was not read yet.
func (l lastReadings) of(as role) *lastReading {
	for i := range l {
		if l[i].role == as {
			return &l[i]
		}
	}
	return nil
}

// note takes in one reading.
func (l *lastReadings) note(as role, r sensor.Reading, now time.Time) {
	s := l.of(as)
	if s == nil {
		*l = append(*l, lastReading{role: as, SensorHealth: web.SensorHealth{Sensor: string(as), ReadSeconds: nan(), Readings: map[string]uint64{}}})
		s = &(*l)[len(*l)-1]
	}
	s.reading, s.at = r, now
	s.Readings[string(r.Status)]++
	if r.Status == sensor.OK {
		s.good, s.goodAt, s.LastOK = r.Value, now, r.Wall
	}
}

// clockStep moves it in time.
func (l lastReadings) clockStep(m alert.ClockStep) {
	for i := range l {
		m.Times(&l[i].at, &l[i].goodAt)
	}
}

// fresh returns the last reading in a role unless it is older than a span; then a
// reading that is none.
func (l lastReadings) fresh(as role, now time.Time, span time.Duration) sensor.Reading {
	s := l.of(as)
	if s == nil || now.Sub(s.at) > span {
		return sensor.Reading{Status: sensor.Stale}
	}
	return s.reading
}

// lately is the last value measured in a role unless that is longer ago than a span;
// then NaN.
func (l lastReadings) lately(as role, now time.Time, span time.Duration) float64 {
	s := l.of(as)
	if s == nil || s.goodAt.IsZero() || now.Sub(s.goodAt) > span {
		return nan()
	}
	return s.good
}

// fault is why a sensor gave nothing when it was read last; empty when it did or was
// not read.
func (l lastReadings) fault(as role) string {
	if s := l.of(as); s != nil && s.reading.Status != sensor.OK {
		return string(s.reading.Status)
	}
	return ""
}

// silent lists the thermometers that gave nothing when they were read last.
func (l lastReadings) silent() []alert.Silent {
	var out []alert.Silent
	for _, as := range []role{doughRole, airRole} {
		if l.fault(as) != "" {
			out = append(out, alert.Silent{Sensor: string(as), Since: l.of(as).goodAt})
		}
	}
	return out
}

// forWeb copies how the sensors do for a page.
func (l lastReadings) forWeb(words *text.Localizer) []web.SensorHealth {
	out := make([]web.SensorHealth, 0, len(l))
	for _, s := range l {
		h := s.SensorHealth
		h.Readings = maps.Clone(h.Readings)
		h.Quantity, h.Status, h.Reason = string(s.reading.Quantity), string(s.reading.Status), words.Error(s.reading.Err)
		out = append(out, h)
	}
	return out
}
