package kernel

import (
	"context"
	"path/filepath"

	"tidemark/sensor"
)

// Hwmon is a temperature or humidity channel of a hardware monitoring chip.
type Hwmon struct {
	meter
	base    string
	conf    sensor.Hwmon
	channel string
}

// NewHwmon reads q from a chip below root, where sysfs is mounted.
func NewHwmon(root string, q sensor.Quantity, conf sensor.Hwmon, clock sensor.Clock) *Hwmon {
	return &Hwmon{meter{q: q, offsetC: conf.OffsetC, clock: clock}, filepath.Join(root, "class/hwmon"), conf,
		byQuantity(conf.Channel, q, "", "temp1", "humidity1")}
}

// Read reads the channel once.
func (h *Hwmon) Read(context.Context) sensor.Reading { return h.reading(h.measure()) }

// measure finds the chip and reads the channel in the unit of the quantity.
func (h *Hwmon) measure() (float64, error) {
	input := h.channel + "_input"
	dir, err := find("hwmon chip with "+h.channel, h.base, "hwmon*", h.conf.Device, h.conf.Name, input)
	if err != nil {
		return 0, err
	}
	if bad, err := numberOr(filepath.Join(dir, h.channel+"_fault"), 0); err == nil && bad != 0 {
		return 0, sensor.Faultf(sensor.Unreliable, "the chip reports that its %s sensor is broken or unplugged", h.channel)
	}
	v, err := number(filepath.Join(dir, input))
	if err != nil {
		return 0, err
	}
	return air(h.q, v)
}
