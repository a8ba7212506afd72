package app

import (
	"time"

	"tidemark/sensor"
	"tidemark/web"
)

// health is how the sensors of one vessel do: few, so a list, in the order in which they
// were first read.
type health []sensorHealth

// sensorHealth is how one sensor does.
type sensorHealth struct {
	web.SensorHealth // but for Readings
	counts           []statusCount
}

// statusCount counts the readings of one status: a sensor has one or two of them.
type statusCount struct {
	status sensor.Status
	n      uint64
}

// note takes in one reading of a sensor: height, dough or air.
func (h *health) note(name string, r sensor.Reading) {
	if r.Quantity == "" {
		return // this vessel has no such sensor
	}
	s := h.find(name)
	if s == nil {
		*h = append(*h, sensorHealth{SensorHealth: web.SensorHealth{Sensor: name, ReadSeconds: nan(), Quantity: string(r.Quantity)}})
		s = &(*h)[len(*h)-1]
	}
	s.Status, s.Reason = string(r.Status), r.Reason
	s.count(r.Status)
	if r.Status == sensor.OK {
		s.LastOK = r.Wall
	}
}

// count counts a reading.
func (s *sensorHealth) count(status sensor.Status) {
	for i := range s.counts {
		if s.counts[i].status == status {
			s.counts[i].n++
			return
		}
	}
	s.counts = append(s.counts, statusCount{status, 1})
}

// took notes how long the last reading of a sensor took.
func (h *health) took(name string, d time.Duration) {
	if s := h.find(name); s != nil {
		s.ReadSeconds = d.Seconds()
	}
}

// broughtBack notes how often a sensor was brought back.
func (h *health) broughtBack(name string, r sensor.Recovery) {
	if s := h.find(name); s != nil {
		s.Restarts, s.Resets = r.Restarts, r.Resets
	}
}

// find returns the entry of a sensor; nil when it was not read yet.
func (h *health) find(name string) *sensorHealth {
	for i := range *h {
		if s := &(*h)[i]; s.Sensor == name {
			return s
		}
	}
	return nil
}

// forWeb copies the state for a page.
func (h *health) forWeb() []web.SensorHealth {
	out := make([]web.SensorHealth, 0, len(*h))
	for _, s := range *h {
		s.Readings = make(map[string]uint64, len(s.counts))
		for _, c := range s.counts {
			s.Readings[string(c.status)] = c.n
		}
		out = append(out, s.SensorHealth)
	}
	return out
}
