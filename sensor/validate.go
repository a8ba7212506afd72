package sensor

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Validate checks that the Spec describes a source of q. The error is a
// *FieldError that names the offending key.
func (s Spec) Validate(q Quantity) error {
	if s.Kind == "" {
		return fieldErrf("kind", "missing; expected one of %s", kindList(q))
	}
	r, ok := kindRules()[s.Kind]
	if !ok {
		return fieldErrf("kind", "%q is not known; expected one of %s", s.Kind, kindList(q))
	}
	if _, ok := r.delivers[q]; !ok {
		return fieldErrf("kind", "%q does not measure %s; expected one of %s", s.Kind, q, kindList(q))
	}
	if err := s.checkKeys(r, q); err != nil {
		return err
	}
	for _, check := range []func(Quantity) error{s.checkPlace, s.checkI2C, s.checkSound, s.checkMQTT, s.checkRange} {
		if err := check(q); err != nil {
			return err
		}
	}
	return nil
}

// kindList is the list of kinds for q in words.
func kindList(q Quantity) string {
	var names []string
	for _, k := range Kinds(q) {
		names = append(names, string(k))
	}
	return strings.Join(names, ", ")
}

// checkKeys refuses keys that the kind does not take and misses those it needs.
func (s Spec) checkKeys(r kindRule, q Quantity) error {
	set := s.set()
	for _, key := range set {
		if key != "kind" && !slices.Contains(r.fields, key) {
			return fieldErrf(key, "kind %s does not take it; it takes %s", s.Kind, strings.Join(r.fields, ", "))
		}
		if wrongUnit(key, q) {
			return fieldErrf(key, "does not fit a source of %s; take it out", q)
		}
	}
	for _, key := range r.needs {
		if !slices.Contains(set, key) {
			return fieldErrf(key, "missing; kind %s cannot do without it", s.Kind)
		}
	}
	return nil
}

// wrongUnit tells whether a key belongs to another quantity.
func wrongUnit(key string, q Quantity) bool {
	return strings.HasSuffix(key, "_mm") && q != Distance ||
		key == "offset_c" && q != Temperature
}

// w1ID is how the kernel names a 1-wire thermometer: family and serial number.
var w1ID = regexp.MustCompile(`^(28|10|22|3b|42)-[0-9a-f]{12}$`)

// lineName is how the kernel names a GPIO line.
var lineName = regexp.MustCompile(`^[A-Za-z0-9_.\-]{1,32}$`)

// checkPlace checks where the source is to be found.
func (s Spec) checkPlace(Quantity) error {
	if s.ID != "" && !w1ID.MatchString(s.ID) {
		return fieldErrf("id", "%q is not a probe id; expected a form like 28-0123456789ab (family 28 and twelve lower-case hex digits, as tidemark check --scan lists them)", s.ID)
	}
	for key, v := range map[string]string{"device": s.Device, "name": s.Name, "channel": s.Channel} {
		if strings.Contains(v, "..") || key != "device" && strings.Contains(v, "/") {
			return fieldErrf(key, "%q leads out of the device folder; give the plain name", v)
		}
	}
	for key, v := range map[string]string{"xshut": s.XShut, "power": s.Power} {
		if v != "" && !lineName.MatchString(v) {
			return fieldErrf(key, "%q is not the name of a GPIO line; expected a form like GPIO17", v)
		}
	}
	if s.Format != "" && s.Format != "frame" && s.Format != "text" {
		return fieldErrf("format", "%q is not known; expected frame (FF, high byte, low byte, sum) or text (R0123)", s.Format)
	}
	if s.Baud != 0 && (s.Baud < 1200 || s.Baud > 921600) {
		return fieldErrf("baud", "expected 1200 to 921600, found %d", s.Baud)
	}
	return nil
}

// i2cBus is the number of an I2C bus, bare or as its device name.
var i2cBus = regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`)

// checkI2C checks bus, address, multiplexer and the time-of-flight options.
func (s Spec) checkI2C(Quantity) error {
	onI2C := s.Kind == KindVL53L1X || s.Kind == KindVL6180X || s.Kind == KindBME280
	if onI2C && s.Bus != "" && !i2cBus.MatchString(s.Bus) {
		return fieldErrf("bus", "%q is not an I2C bus; expected its number, like 1", s.Bus)
	}
	if s.Address != 0 && (s.Address < 0x08 || s.Address > 0x77) {
		return fieldErrf("address", "expected 0x08 to 0x77, found 0x%02x", s.Address)
	}
	if s.Kind == KindBME280 && s.Address != 0 && s.Address != 0x76 && s.Address != 0x77 {
		return fieldErrf("address", "kind bme280 answers at 0x76 or 0x77, found 0x%02x", s.Address)
	}
	if s.Mux != 0 && (s.Mux < 0x70 || s.Mux > 0x77) {
		return fieldErrf("mux", "expected 0x70 to 0x77, found 0x%02x", s.Mux)
	}
	if s.Mux != 0 && s.Mux == s.Address {
		return fieldErrf("mux", "0x%02x is also the chip's address; set the multiplexer's address pins to another one", s.Mux)
	}
	if s.Port < 0 || s.Port > 7 {
		return fieldErrf("port", "expected 0 to 7, found %d", s.Port)
	}
	if s.Port != 0 && s.Mux == 0 {
		return fieldErrf("port", "a port needs a multiplexer; add mux: 0x70 (or its address) or take port out")
	}
	return s.checkToF()
}

// checkToF checks the options of the time-of-flight chips.
func (s Spec) checkToF() error {
	if s.Kind == KindVL53L1X || s.Kind == KindVL6180X {
		if s.Address != 0 && s.Address != 0x29 && s.XShut == "" {
			return fieldErrf("xshut", "missing; the chip wakes at 0x29 and only its shutdown line lets it be moved to 0x%02x", s.Address)
		}
	}
	if s.ROI != 0 && (s.ROI < 4 || s.ROI > 16) {
		return fieldErrf("roi", "expected 4 to 16 receivers a side, found %d", s.ROI)
	}
	if d := time.Duration(s.Budget); d != 0 && (d < 20*time.Millisecond || d > time.Second) {
		return fieldErrf("budget", "expected 20ms to 1s, found %s", d)
	}
	return nil
}

// checkSound checks the options of the ultrasonic kinds.
func (s Spec) checkSound(Quantity) error {
	if s.Kind == KindHCSR04 {
		trigger, echo := s.Lines()
		for key, n := range map[string]int{"trigger": trigger, "echo": echo} {
			if n < 0 || n > 511 {
				return fieldErrf(key, "expected a line number of the GPIO chip, 0 to 511, found %d", n)
			}
		}
		if trigger == echo {
			return fieldErrf("echo", "trigger and echo are both line %d; they are two different pins", echo)
		}
	}
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

// units lists the units a quantity may be sent in; the first is our own.
func units(q Quantity) []string {
	return map[Quantity][]string{
		Distance:    {"mm", "cm", "m", "in"},
		Temperature: {"C", "F"},
		Humidity:    {"ratio", "percent"},
	}[q]
}

// checkMQTT checks the options of a source over the network.
func (s Spec) checkMQTT(q Quantity) error {
	if s.Kind != KindMQTT {
		return nil
	}
	u, err := url.Parse(s.Broker)
	if err != nil || u.Host == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts" {
		return fieldErrf("broker", "%q is not a broker address; expected mqtt://host:1883, or mqtts://host:8883 with TLS", s.Broker)
	}
	if u.User != nil {
		return fieldErrf("broker", "carries a name or password; use user and password_file instead")
	}
	if strings.ContainsAny(s.Topic, "#+\x00") {
		return fieldErrf("topic", "%q has a wildcard; one source reads one topic", s.Topic)
	}
	if strings.HasPrefix(s.Topic, "$share/") {
		return fieldErrf("topic", "%q shares its messages out among several readers, so that some would be missed; take out $share/ and the name after it", s.Topic)
	}
	if s.Unit != "" && !slices.Contains(units(q), s.Unit) {
		return fieldErrf("unit", "%q is no unit of %s; expected one of %s", s.Unit, q, strings.Join(units(q), ", "))
	}
	if d := time.Duration(s.StaleAfter); d != 0 && (d < time.Second || d > 24*time.Hour) {
		return fieldErrf("stale_after", "expected 1s to 24h, found %s", d)
	}
	return s.checkTLS(u)
}

// checkTLS checks that secrets and certificates fit together.
func (s Spec) checkTLS(u *url.URL) error {
	if u.Scheme == "mqtt" && (s.CAFile != "" || s.CertFile != "" || s.KeyFile != "") {
		return fieldErrf("broker", "certificates are given but %s is without TLS; write mqtts://", s.Broker)
	}
	if (s.CertFile == "") != (s.KeyFile == "") {
		return fieldErrf("cert_file", "cert_file and key_file go together; one of them is missing")
	}
	if s.PasswordFile != "" && s.User == "" {
		return fieldErrf("user", "missing; password_file needs the name it belongs to")
	}
	return nil
}

// within is false for a value outside lo..hi and for NaN.
func within(v, lo, hi float64) bool { return v >= lo && v <= hi }

// checkRange checks limits and offsets.
func (s Spec) checkRange(Quantity) error {
	if !within(s.MinMM, 0, 10000) {
		return fieldErrf("min_mm", "expected 0 to 10000, found %v", s.MinMM)
	}
	if !within(s.MaxMM, 0, 10000) {
		return fieldErrf("max_mm", "expected 0 to 10000, found %v", s.MaxMM)
	}
	if s.MaxMM != 0 && s.MaxMM <= s.MinMM {
		return fieldErrf("max_mm", "expected more than min_mm (%v), found %v", s.MinMM, s.MaxMM)
	}
	if !within(s.OffsetMM, -500, 500) {
		return fieldErrf("offset_mm", "expected -500 to 500, found %v", s.OffsetMM)
	}
	if !within(s.OffsetC, -10, 10) {
		return fieldErrf("offset_c", "expected -10 to 10 Celsius, found %v", s.OffsetC)
	}
	return nil
}

// String says in a few words what is read, for tables and messages.
func (s Spec) String() string {
	parts := []string{string(s.Kind)}
	for _, v := range []string{s.ID, s.Device, s.Name, s.Channel, s.Topic} {
		if v != "" {
			parts = append(parts, v)
		}
	}
	if s.Address != 0 {
		parts = append(parts, fmt.Sprintf("0x%02x", s.Address))
	}
	if s.Mux != 0 {
		parts = append(parts, fmt.Sprintf("mux 0x%02x port %d", s.Mux, s.Port))
	}
	return strings.Join(parts, " ")
}
