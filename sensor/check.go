package sensor

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// check refuses a value that is not what its tag says: a range like "3 to 25", with what
// it counts behind it or not, or a form of text by its name.
func (f field) check() error {
	part := strings.Fields(f.is)
	if len(part) < 3 {
		if form := forms()[f.is]; form != nil && !form.MatchString(f.value.String()) {
			return wrong(f.key, f.is, "found", f.value.String())
		}
		return nil
	}
	least, most := part[0], part[2]
	v := reflect.Indirect(f.value)
	if number(v) >= bound(least, v.Type()) && number(v) <= bound(most, v.Type()) { // NaN is neither
		return nil
	}
	found := fmt.Sprint(v.Interface())
	if strings.HasPrefix(least, "0x") {
		found = hex(int(v.Int()))
	}
	return wrong(f.key, strings.Join(append([]string{"range"}, part[3:]...), "."), "least", least, "most", most, "found", found)
}

// hex writes an address as it is usual.
func hex(address int) string { return fmt.Sprintf("0x%02x", address) }

// number returns a value of a number's type, or a length of time such as 33ms; NaN for
// another text.
func number(v reflect.Value) float64 {
	if v.Kind() == reflect.String {
		if d, err := time.ParseDuration(v.String()); err == nil {
			return float64(d)
		}
		return math.NaN()
	}
	if v.CanFloat() {
		return v.Float()
	}
	return float64(v.Int())
}

// bound reads one end of a range as a configuration would hold it.
func bound(s string, as reflect.Type) float64 {
	v := reflect.New(as)
	_ = yaml.Unmarshal([]byte(s), v.Interface()) // a tag of our own
	return number(v.Elem())
}

// forms returns what a text may look like, by the name that tags give it.
func forms() map[string]*regexp.Regexp {
	return map[string]*regexp.Regexp{
		"id":     regexp.MustCompile(`^(28|10|22|3b|42)-[0-9a-f]{12}$`),
		"line":   regexp.MustCompile(`^[A-Za-z0-9_.\-]{1,32}$`),
		"bus":    regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`),
		"format": regexp.MustCompile(`^(frame|text)$`),
		"name":   regexp.MustCompile(`^(\.?[^./])+\.?$`),
		"device": regexp.MustCompile(`^(\.?[^.])+\.?$`),
	}
}

func (c *W1) check(Quantity) error      { return nil }
func (c *DS18B20) check(Quantity) error { return nil }
func (c *Hwmon) check(Quantity) error   { return nil }

func (c *VL53L1X) check(q Quantity) error {
	return cmp.Or(c.I2C.check(q), checkMoved(c.Address, c.XShut), c.Limits.check(q))
}

func (c *VL6180X) check(q Quantity) error {
	return cmp.Or(c.I2C.check(q), checkMoved(c.Address, c.XShut), c.Limits.check(q))
}

func (c *BME280) check(q Quantity) error {
	if c.Address != 0 && c.Address != 0x76 && c.Address != 0x77 {
		return wrong("address", "bme280", "found", hex(c.Address))
	}
	return c.I2C.check(q)
}

func (c *HCSR04) check(q Quantity) error {
	if *c.Trigger == *c.Echo { // Check has seen that they are there
		return wrong("echo", "one_line", "n", *c.Echo)
	}
	return c.Limits.check(q)
}

func (c *MQTT) check(q Quantity) error {
	u, err := url.Parse(c.Broker)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return wrong("broker", "broker", "found", c.Broker)
	case u.User != nil:
		return wrong("broker", "broker_secret")
	case strings.ContainsAny(c.Topic, "#+\x00"):
		return wrong("topic", "wildcard", "found", c.Topic)
	case strings.HasPrefix(c.Topic, "$share/"):
		return wrong("topic", "share_out", "found", c.Topic)
	case c.Unit != "" && !slices.Contains(units(q), c.Unit):
		return wrong("unit", "unit", "found", c.Unit, "quantity", q.said(), "options", strings.Join(units(q), ", "))
	case u.Scheme == "mqtt" && (c.CAFile != "" || c.CertFile != "" || c.KeyFile != ""):
		return wrong("broker", "no_tls", "found", c.Broker)
	case (c.CertFile == "") != (c.KeyFile == ""):
		return wrong("cert_file", "half_cert")
	case c.PasswordFile != "" && c.User == "":
		return wrong("user", "no_user")
	}
	return c.Limits.check(q)
}

// units returns the units a quantity may be sent in; the first is our own.
func units(q Quantity) []string {
	return map[Quantity][]string{
		Distance:    {"mm", "cm", "m", "in"},
		Temperature: {"C", "F"},
		Humidity:    {"ratio", "percent"},
	}[q]
}

func (c I2C) check(Quantity) error {
	switch {
	case c.Mux != 0 && c.Mux == c.Address:
		return wrong("mux", "mux", "found", hex(c.Mux))
	case c.Port != 0 && c.Mux == 0:
		return wrong("port", "no_mux")
	}
	return nil
}

// checkMoved checks the address and shutdown line of a time-of-flight chip.
func checkMoved(address int, xshut string) error {
	if address != 0 && address != 0x29 && xshut == "" {
		return wrong("xshut", "xshut", "found", hex(address))
	}
	return nil
}

func (l Limits) check(Quantity) error {
	if l.MaxMM != 0 && l.MaxMM <= l.MinMM {
		return wrong("max_mm", "max", "least", fmt.Sprint(l.MinMM), "found", fmt.Sprint(l.MaxMM))
	}
	return nil
}
