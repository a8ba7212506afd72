package survey

import (
	"fmt"
	"slices"

	"tidemark/sensor"
)

// advise tells what to do about a sensor that failed so, most useful first, by the keys
// of sentences in the catalogue.
func advise(kind sensor.Kind, status sensor.Status) []string {
	for _, a := range advice() {
		if a.status == status && (a.kinds == nil || slices.Contains(a.kinds, kind)) {
			var keys []string
			for i := range a.count {
				keys = append(keys, fmt.Sprintf("advice.%s.%s.%d", a.group, status, i+1))
			}
			return keys
		}
	}
	return []string{"advice.any.else.1"}
}

// advices is how many sentences there are about one verdict on some kinds; nil = on every
// kind.
type advices struct {
	group  string
	kinds  []sensor.Kind
	status sensor.Status
	count  int
}

// advice returns the table, kinds before what holds for all.
func advice() []advices {
	probe := []sensor.Kind{sensor.KindW1, sensor.KindDS18B20}
	i2c := []sensor.Kind{sensor.KindVL53L1X, sensor.KindVL6180X, sensor.KindBME280}
	kernel := []sensor.Kind{sensor.KindIIO, sensor.KindHwmon}
	echo := []sensor.Kind{sensor.KindHCSR04, sensor.KindSRF04}
	serial, mqtt := []sensor.Kind{sensor.KindSerial}, []sensor.Kind{sensor.KindMQTT}
	return []advices{
		{"probe", probe, sensor.Missing, 3}, {"probe", probe, sensor.PowerOn, 2}, {"probe", probe, sensor.BadData, 1},
		{"i2c", i2c, sensor.Missing, 3}, {"i2c", i2c, sensor.ReadFailed, 2},
		{"kernel", kernel, sensor.Missing, 2},
		{"echo", echo, sensor.ReadFailed, 3}, {"echo", echo, sensor.Missing, 1}, {"echo", echo, sensor.Unreliable, 1},
		{"serial", serial, sensor.Missing, 1}, {"serial", serial, sensor.ReadFailed, 2}, {"serial", serial, sensor.BadData, 1},
		{"mqtt", mqtt, sensor.Missing, 1}, {"mqtt", mqtt, sensor.Stale, 2}, {"mqtt", mqtt, sensor.BadData, 1},
		{"any", nil, sensor.Missing, 1}, {"any", nil, sensor.ReadFailed, 1}, {"any", nil, sensor.BadData, 1}, {"any", nil, sensor.OutOfRange, 1},
		{"any", nil, sensor.Unreliable, 1}, {"any", nil, sensor.Stale, 1}, {"any", nil, sensor.Stuck, 1},
	}
}
