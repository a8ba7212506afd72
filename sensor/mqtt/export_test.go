package mqtt

import "tidemark/sensor"

// NewOffline returns a Source without a broker, and what lets a message arrive for it.
func NewOffline(q sensor.Quantity, conf sensor.MQTT) (s *Source, arrive func(payload string)) {
	s = newSource(q, conf)
	s.setTrouble(nil)
	return s, func(payload string) { s.message([]byte(payload)) }
}

// Explain words an error of connecting.
var Explain = explain
