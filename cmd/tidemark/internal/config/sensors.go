package config

import "tidemark/sensor"

// Sensor is one sensor of a vessel and what it is for.
type Sensor struct {
	Role     string // height, dough, air, humidity or loaf: its key in the file
	Quantity sensor.Quantity
	Config   sensor.Config
}

// Sensors lists the sensors of a vessel: height, dough, air, humidity, loaf, as
// far as they are configured.
func (v Vessel) Sensors() []Sensor {
	var out []Sensor
	for _, s := range []struct {
		role string
		q    sensor.Quantity
		conf sensor.Config
	}{
		{"height", sensor.Distance, v.Height}, {"dough", sensor.Temperature, v.Dough},
		{"air", sensor.Temperature, v.Air}, {"humidity", sensor.Humidity, v.Humidity},
		{"loaf", sensor.Temperature, v.Loaf},
	} {
		if s.conf != nil {
			out = append(out, Sensor{s.role, s.q, s.conf})
		}
	}
	return out
}
