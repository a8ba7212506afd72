package app

import (
	"maps"
	"time"

	"tidemark/sensor"
	"tidemark/web"
)

// health is how the sensors of one vessel do.
type health struct {
	order []string
	state map[string]*web.SensorHealth
}

// note takes in one reading of a sensor: height, dough or air.
func (h *health) note(name string, r sensor.Reading) {
	if r.Quantity == "" {
		return // this vessel has no such sensor
	}
	s := h.of(name, r.Quantity)
	s.Status, s.Reason = string(r.Status), r.Reason
	s.Readings[string(r.Status)]++
	if r.Status == sensor.OK {
		s.LastOK = r.Wall
	}
}

// took notes how long the last reading of a sensor took.
func (h *health) took(name string, d time.Duration) {
	if s := h.state[name]; s != nil {
		s.ReadSeconds = d.Seconds()
	}
}

// broughtBack notes how often a sensor was brought back.
func (h *health) broughtBack(name string, r sensor.Recovery) {
	if s := h.state[name]; s != nil {
		s.Restarts, s.Resets = r.Restarts, r.Resets
	}
}

// of finds or makes the entry of a sensor.
func (h *health) of(name string, q sensor.Quantity) *web.SensorHealth {
	if s := h.state[name]; s != nil {
		return s
	}
	if h.state == nil {
		h.state = map[string]*web.SensorHealth{}
	}
	s := &web.SensorHealth{Sensor: name, ReadSeconds: nan(), Quantity: string(q), Readings: map[string]uint64{}}
	h.state[name] = s
	h.order = append(h.order, name)
	return s
}

// forWeb copies the state for a page.
func (h *health) forWeb() []web.SensorHealth {
	out := make([]web.SensorHealth, 0, len(h.order))
	for _, name := range h.order {
		s := *h.state[name]
		s.Readings = maps.Clone(s.Readings)
		out = append(out, s)
	}
	return out
}
