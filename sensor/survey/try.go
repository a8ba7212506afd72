package survey

import (
	"context"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/source"
)

// Trial is what a look at the buses found, with what it reads at this moment, or a bus
// with nothing on it.
type Trial struct {
	Device
	Bus    sensor.Said
	Role   string  // what it is proposed for: height, dough, air or humidity; empty for nothing
	UsedBy string  // who reads it already; it is not read again then
	Value  float64 // median, in the unit of its quantity; means nothing while Usable is 0
	Usable int     // readings
	Do     string  // key of what to do first; empty for nothing
}

// Try scans the machine and reads each sensor that it finds for a length of time. used
// names who reads a sensor already, by the sensor's line in the file. Buses that only
// few have are left out when there is nothing on them.
func (m Machine) Try(ctx context.Context, env source.Env, used map[string]string, length time.Duration) []Trial {
	var out []Trial
	var items []Item
	var at []int
	for _, sec := range m.Scan(ctx) {
		usual, bus := sec.Name == w1Bus || sec.Name == i2cBus, sensor.Say(sec.Name)
		if len(sec.Devices) == 0 && usual {
			out = append(out, Trial{Bus: bus, Do: sec.None})
		}
		for _, d := range sec.Devices {
			t := Trial{Device: d, Bus: bus, Role: roleOf(d)}
			if d.Config != nil {
				t.UsedBy = used[sensor.Flow(d.Config)]
			}
			switch {
			case t.Role != "" && t.UsedBy == "":
				items, at = append(items, Item{Role: t.Role, Config: d.Config, Quantity: d.Quantity}), append(at, len(out))
			case t.Role == "" && !usual && t.UsedBy == "":
				continue // a line that may lead anywhere
			}
			out = append(out, t)
		}
	}
	if len(items) == 0 {
		return out
	}
	for i, r := range Check(ctx, items, env, length) {
		t := &out[at[i]]
		t.Value, t.Usable, t.Trouble = r.Value, r.Usable, r.Problem
		if len(r.Advice) > 0 {
			t.Do = r.Advice[0]
		}
	}
	return out
}
