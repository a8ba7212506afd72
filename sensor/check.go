package sensor

import (
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
)

func (c *W1) check(Quantity) error {
	return first(checkID(c.ID), checkLine("power", c.Power), checkOffsetC(c.OffsetC))
}

func (c *DS18B20) check(Quantity) error {
	return first(checkID(c.ID), checkLine("power", c.Power), checkOffsetC(c.OffsetC))
}

func (c *Hwmon) check(Quantity) error {
	return first(checkFolder(c.Device, c.Name, c.Channel), checkOffsetC(c.OffsetC))
}

func (c *IIO) check(Quantity) error {
	return first(checkFolder(c.Device, c.Name, c.Channel), c.Limits.check(), checkOffsetC(c.OffsetC))
}

func (c *VL53L1X) check(Quantity) error {
	err := first(c.I2C.check(), checkMoved(c.Address, c.XShut))
	if err == nil && c.ROI != 0 && (c.ROI < 4 || c.ROI > 16) {
		err = fieldErrf("roi", "expected 4 to 16 receivers a side, found %d", c.ROI)
	}
	if d := time.Duration(c.Budget); err == nil && d != 0 && (d < 20*time.Millisecond || d > time.Second) {
		err = fieldErrf("budget", "expected 20ms to 1s, found %s", d)
	}
	return first(err, c.Limits.check())
}

func (c *VL6180X) check(Quantity) error {
	return first(c.I2C.check(), checkMoved(c.Address, c.XShut), c.Limits.check())
}

func (c *BME280) check(Quantity) error {
	if c.Address != 0 && c.Address != 0x76 && c.Address != 0x77 {
		return fieldErrf("address", "kind bme280 answers at 0x76 or 0x77, found 0x%02x", c.Address)
	}
	return first(c.I2C.check(), checkOffsetC(c.OffsetC))
}

func (c *HCSR04) check(Quantity) error {
	trigger, echo := *c.Trigger, *c.Echo // Check has seen that they are there
	if err := first(checkLineNumber("trigger", trigger), checkLineNumber("echo", echo)); err != nil {
		return err
	}
	if trigger == echo {
		return fieldErrf("echo", "trigger and echo are both line %d; they are two different pins", echo)
	}
	return first(checkFolder(c.Device, "", ""), checkLine("power", c.Power), c.Sound.check(), c.Limits.check())
}

func (c *SRF04) check(Quantity) error {
	return first(checkFolder(c.Device, "", ""), c.Sound.check(), c.Limits.check())
}

func (c *Serial) check(Quantity) error {
	if c.Format != "" && c.Format != "frame" && c.Format != "text" {
		return fieldErrf("format", "%q is not known; expected frame (FF, high byte, low byte, sum) or text (R0123)", c.Format)
	}
	if c.Baud != 0 && (c.Baud < 1200 || c.Baud > 921600) {
		return fieldErrf("baud", "expected 1200 to 921600, found %d", c.Baud)
	}
	return first(checkFolder(c.Device, "", ""), c.Sound.check(), c.Limits.check())
}

func (c *MQTT) check(q Quantity) error {
	u, err := url.Parse(c.Broker)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return fieldErrf("broker", "%q is not a broker address; expected mqtt://host:1883, or mqtts://host:8883 with TLS", c.Broker)
	case u.User != nil:
		return fieldErrf("broker", "carries a name or password; use user and password_file instead")
	case strings.ContainsAny(c.Topic, "#+\x00"):
		return fieldErrf("topic", "%q has a wildcard; one source reads one topic", c.Topic)
	case strings.HasPrefix(c.Topic, "$share/"):
		return fieldErrf("topic", "%q shares its messages out among several readers, so that some would be missed; take out $share/ and the name after it", c.Topic)
	case c.Unit != "" && !slices.Contains(units(q), c.Unit):
		return fieldErrf("unit", "%q is no unit of %s; expected one of %s", c.Unit, q, strings.Join(units(q), ", "))
	case u.Scheme == "mqtt" && (c.CAFile != "" || c.CertFile != "" || c.KeyFile != ""):
		return fieldErrf("broker", "certificates are given but %s is without TLS; write mqtts://", c.Broker)
	case (c.CertFile == "") != (c.KeyFile == ""):
		return fieldErrf("cert_file", "cert_file and key_file go together; one of them is missing")
	case c.PasswordFile != "" && c.User == "":
		return fieldErrf("user", "missing; password_file needs the name it belongs to")
	}
	if d := time.Duration(c.StaleAfter); d != 0 && (d < time.Second || d > 24*time.Hour) {
		return fieldErrf("stale_after", "expected 1s to 24h, found %s", d)
	}
	return first(c.Limits.check(), checkOffsetC(c.OffsetC))
}

// units returns the units a quantity may be sent in; the first is our own.
func units(q Quantity) []string {
	return map[Quantity][]string{
		Distance:    {"mm", "cm", "m", "in"},
		Temperature: {"C", "F"},
		Humidity:    {"ratio", "percent"},
	}[q]
}

// i2cBus is the number of an I2C bus, bare or as its device name.
var i2cBus = regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`)

func (c I2C) check() error {
	switch {
	case c.Bus != "" && !i2cBus.MatchString(c.Bus):
		return fieldErrf("bus", "%q is not an I2C bus; expected its number, like 1", c.Bus)
	case c.Address != 0 && (c.Address < 0x08 || c.Address > 0x77):
		return fieldErrf("address", "expected 0x08 to 0x77, found 0x%02x", c.Address)
	case c.Mux != 0 && (c.Mux < 0x70 || c.Mux > 0x77):
		return fieldErrf("mux", "expected 0x70 to 0x77, found 0x%02x", c.Mux)
	case c.Mux != 0 && c.Mux == c.Address:
		return fieldErrf("mux", "0x%02x is also the chip's address; set the multiplexer's address pins to another one", c.Mux)
	case c.Port < 0 || c.Port > 7:
		return fieldErrf("port", "expected 0 to 7, found %d", c.Port)
	case c.Port != 0 && c.Mux == 0:
		return fieldErrf("port", "a port needs a multiplexer; add mux: 0x70 (or its address) or take port out")
	}
	return checkLine("power", c.Power)
}

// checkMoved checks the address and shutdown line of a time-of-flight chip.
func checkMoved(address int, xshut string) error {
	if address != 0 && address != 0x29 && xshut == "" {
		return fieldErrf("xshut", "missing; the chip wakes at 0x29 and only its shutdown line lets it be moved to 0x%02x", address)
	}
	return checkLine("xshut", xshut)
}

func (s Sound) check() error {
	if s.Pings != 0 && (s.Pings < 3 || s.Pings > 25) {
		return fieldErrf("pings", "expected 3 to 25, found %d", s.Pings)
	}
	if !within(s.CO2Ratio, 0, 0.5) {
		return fieldErrf("co2_ratio", "expected a share of 0 to 0.5, found %v", s.CO2Ratio)
	}
	if !within(s.AirC, -10, 50) {
		return fieldErrf("air_c", "expected -10 to 50 Celsius, found %v", s.AirC)
	}
	return nil
}

func (l Limits) check() error {
	switch {
	case !within(l.MinMM, 0, 10000):
		return fieldErrf("min_mm", "expected 0 to 10000, found %v", l.MinMM)
	case !within(l.MaxMM, 0, 10000):
		return fieldErrf("max_mm", "expected 0 to 10000, found %v", l.MaxMM)
	case l.MaxMM != 0 && l.MaxMM <= l.MinMM:
		return fieldErrf("max_mm", "expected more than min_mm (%v), found %v", l.MinMM, l.MaxMM)
	case !within(l.OffsetMM, -500, 500):
		return fieldErrf("offset_mm", "expected -500 to 500, found %v", l.OffsetMM)
	}
	return nil
}

// w1ID is how the kernel names a 1-wire thermometer: family and serial number.
var w1ID = regexp.MustCompile(`^(28|10|22|3b|42)-[0-9a-f]{12}$`)

func checkID(id string) error {
	if id != "" && !w1ID.MatchString(id) {
		return fieldErrf("id", "%q is not a probe id; expected a form like 28-0123456789ab (family 28 and twelve lower-case hex digits, as tidemark check --scan lists them)", id)
	}
	return nil
}

// lineName is how the kernel names a GPIO line.
var lineName = regexp.MustCompile(`^[A-Za-z0-9_.\-]{1,32}$`)

func checkLine(key, name string) error {
	if name != "" && !lineName.MatchString(name) {
		return fieldErrf(key, "%q is not the name of a GPIO line; expected a form like GPIO17", name)
	}
	return nil
}

func checkLineNumber(key string, n int) error {
	if n < 0 || n > 511 {
		return fieldErrf(key, "expected a line number of the GPIO chip, 0 to 511, found %d", n)
	}
	return nil
}

// checkFolder refuses names that lead out of the folder of devices.
func checkFolder(device, name, channel string) error {
	for _, f := range []struct{ key, value string }{{"device", device}, {"name", name}, {"channel", channel}} {
		if strings.Contains(f.value, "..") || f.key != "device" && strings.Contains(f.value, "/") {
			return fieldErrf(f.key, "%q leads out of the device folder; give the plain name", f.value)
		}
	}
	return nil
}

func checkOffsetC(c float64) error {
	if !within(c, -10, 10) {
		return fieldErrf("offset_c", "expected -10 to 10 Celsius, found %v", c)
	}
	return nil
}

// within reports whether v is in lo..hi; NaN is not.
func within(v, lo, hi float64) bool { return v >= lo && v <= hi }

// first returns the first error that is not nil.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
