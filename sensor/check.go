package sensor

import (
	"cmp"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// check refuses a value that is not what its tag says: a range like "3 to 25", with
// more words behind it or not, or a form of text by its name.
func (f field) check() error {
	lo, rest, isRange := strings.Cut(f.is, " to ")
	if !isRange {
		if form, ok := forms()[f.is]; ok && !form.matches.MatchString(f.value.String()) {
			return fieldErrf(f.key, "%q %s", f.value.String(), form.msg)
		}
		return nil
	}
	hi := strings.TrimRight(strings.Fields(rest)[0], ",")
	v := reflect.Indirect(f.value)
	if number(v) >= bound(lo) && number(v) <= bound(hi) { // NaN is neither
		return nil
	}
	if strings.HasPrefix(lo, "0x") {
		return fieldErrf(f.key, "expected %s, found 0x%02x", f.is, v.Int())
	}
	return fieldErrf(f.key, "expected %s, found %v", f.is, v.Interface())
}

// number returns a value as a number; a length of time in seconds.
func number(v reflect.Value) float64 {
	switch v.Kind() {
	case reflect.Float64:
		return v.Float()
	case reflect.Int64:
		return time.Duration(v.Int()).Seconds()
	default:
		return float64(v.Int())
	}
}

// bound reads one end of a range: a number, one in hex, or a length of time.
func bound(s string) float64 {
	if d, err := time.ParseDuration(s); err == nil && s != "0" {
		return d.Seconds()
	}
	if n, err := strconv.ParseInt(s, 0, 64); err == nil {
		return float64(n)
	}
	v, _ := strconv.ParseFloat(s, 64) // a tag of our own is a number
	return v
}

// form is what a text may look like.
type form struct {
	matches *regexp.Regexp
	msg     string // behind the text in quotes
}

// forms returns the forms of text by the name that tags give them.
func forms() map[string]form {
	return map[string]form{
		"id":     {regexp.MustCompile(`^(28|10|22|3b|42)-[0-9a-f]{12}$`), "is not a probe id; expected a form like 28-0123456789ab (family 28 and twelve lower-case hex digits, as tidemark check --scan lists them)"},
		"line":   {regexp.MustCompile(`^[A-Za-z0-9_.\-]{1,32}$`), "is not the name of a GPIO line; expected a form like GPIO17"},
		"bus":    {regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`), "is not an I2C bus; expected its number, like 1"},
		"format": {regexp.MustCompile(`^(frame|text)$`), "is not known; expected frame (FF, high byte, low byte, sum) or text (R0123)"},
		"name":   {regexp.MustCompile(`^(\.?[^./])+\.?$`), "leads out of the device folder; give the plain name"},
		"device": {regexp.MustCompile(`^(\.?[^.])+\.?$`), "leads out of the device folder; give the plain name"},
	}
}

func (c *W1) check(Quantity) error      { return nil }
func (c *DS18B20) check(Quantity) error { return nil }
func (c *Hwmon) check(Quantity) error   { return nil }
func (c *IIO) check(Quantity) error     { return c.Limits.check() }
func (c *SRF04) check(Quantity) error   { return c.Limits.check() }
func (c *Serial) check(Quantity) error  { return c.Limits.check() }

func (c *VL53L1X) check(Quantity) error {
	return cmp.Or(c.I2C.check(), checkMoved(c.Address, c.XShut), c.Limits.check())
}

func (c *VL6180X) check(Quantity) error {
	return cmp.Or(c.I2C.check(), checkMoved(c.Address, c.XShut), c.Limits.check())
}

func (c *BME280) check(Quantity) error {
	if c.Address != 0 && c.Address != 0x76 && c.Address != 0x77 {
		return fieldErrf("address", "kind bme280 answers at 0x76 or 0x77, found 0x%02x", c.Address)
	}
	return c.I2C.check()
}

func (c *HCSR04) check(Quantity) error {
	if *c.Trigger == *c.Echo { // Check has seen that they are there
		return fieldErrf("echo", "trigger and echo are both line %d; they are two different pins", *c.Echo)
	}
	return c.Limits.check()
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
	return c.Limits.check()
}

// units returns the units a quantity may be sent in; the first is our own.
func units(q Quantity) []string {
	return map[Quantity][]string{
		Distance:    {"mm", "cm", "m", "in"},
		Temperature: {"C", "F"},
		Humidity:    {"ratio", "percent"},
	}[q]
}

func (c I2C) check() error {
	switch {
	case c.Mux != 0 && c.Mux == c.Address:
		return fieldErrf("mux", "0x%02x is also the chip's address; set the multiplexer's address pins to another one", c.Mux)
	case c.Port != 0 && c.Mux == 0:
		return fieldErrf("port", "a port needs a multiplexer; add mux: 0x70 (or its address) or take port out")
	}
	return nil
}

// checkMoved checks the address and shutdown line of a time-of-flight chip.
func checkMoved(address int, xshut string) error {
	if address != 0 && address != 0x29 && xshut == "" {
		return fieldErrf("xshut", "missing; the chip wakes at 0x29 and only its shutdown line lets it be moved to 0x%02x", address)
	}
	return nil
}

func (l Limits) check() error {
	if l.MaxMM != 0 && l.MaxMM <= l.MinMM {
		return fieldErrf("max_mm", "expected more than min_mm (%v), found %v", l.MinMM, l.MaxMM)
	}
	return nil
}
