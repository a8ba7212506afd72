package sensor

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Config is the configuration of one source: a pointer to the struct of its kind,
// W1 to MQTT below, which bears the name of the kind. Its keys are those of the
// configuration file; the tag is says what a value may be (see field.check), and the tag
// need that the kind cannot do without it.
type Config interface {
	// check checks how the values of a source of q go together; each for itself was
	// checked before. The error is a *FieldError.
	check(q Quantity) error
}

// W1 is a 1-wire probe behind the kernel's files.
type W1 struct {
	ID      string  `yaml:"id,omitempty" is:"id"`                      // like 28-0123456789ab; empty = the only one
	Power   string  `yaml:"power,omitempty" is:"line"`                 // GPIO line that feeds the probe
	OffsetC float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"` // added to each temperature, -10 to 10
}

// DS18B20 is a 1-wire probe on a bus that this program drives.
type DS18B20 struct {
	ID      string  `yaml:"id,omitempty" is:"id"`
	Bus     string  `yaml:"bus,omitempty"` // name of the 1-wire bus
	Power   string  `yaml:"power,omitempty" is:"line"`
	OffsetC float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
}

// Hwmon is a channel of a chip behind the kernel's hardware monitoring.
type Hwmon struct {
	Device  string  `yaml:"device,omitempty" is:"device"` // folder, such as hwmon2
	Name    string  `yaml:"name,omitempty" is:"name"`     // what the kernel calls the chip, such as sht3x
	Channel string  `yaml:"channel,omitempty" is:"name"`  // temp1 or humidity1 by default
	OffsetC float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
}

// IIO is a channel of a device of the kernel's industrial I/O.
type IIO struct {
	Device  string  `yaml:"device,omitempty" is:"device"` // folder, such as iio:device0
	Name    string  `yaml:"name,omitempty" is:"name"`     // what the kernel calls the chip, such as vl53l0x
	Channel string  `yaml:"channel,omitempty" is:"name"`  // distance, temp or humidityrelative by default
	OffsetC float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
	Limits  `yaml:",inline"`
}

// I2C says where a chip is wired.
type I2C struct {
	Bus     string `yaml:"bus,omitempty" is:"bus"`              // bus number, 1 by default
	Address int    `yaml:"address,omitempty" is:"0x08 to 0x77"` // 0 = where the chip wakes up
	Mux     int    `yaml:"mux,omitempty" is:"0x70 to 0x77"`     // address of a PCA9548 multiplexer in between, 0x70 to 0x77
	Port    int    `yaml:"port,omitempty" is:"0 to 7"`          // port of that multiplexer, 0 to 7
	Power   string `yaml:"power,omitempty" is:"line"`           // GPIO line that feeds the chip
}

// VL53L1X is a time-of-flight chip.
type VL53L1X struct {
	I2C    `yaml:",inline"`
	XShut  string `yaml:"xshut,omitempty" is:"line"`            // GPIO line at the shutdown pin, like GPIO17
	ROI    int    `yaml:"roi,omitempty" is:"4 to 16 receivers"` // receivers used a side, 4 to 16; 0 = 16
	Budget string `yaml:"budget,omitempty" is:"20ms to 1s"`     // time for one ranging, 20 ms to 1 s; 0 = 50 ms
	Limits `yaml:",inline"`
}

// VL6180X is a short-range time-of-flight chip.
type VL6180X struct {
	I2C    `yaml:",inline"`
	XShut  string `yaml:"xshut,omitempty" is:"line"`
	Limits `yaml:",inline"`
}

// BME280 is an air chip, or a BMP280 for temperature only.
type BME280 struct {
	I2C     `yaml:",inline"`
	OffsetC float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
}

// Sound is what the ultrasonic kinds share.
type Sound struct {
	Pings    int     `yaml:"pings,omitempty" is:"3 to 25"`            // for one reading, 3 to 25; 0 = 11, serial 5
	CO2Ratio float64 `yaml:"co2_ratio,omitempty" is:"0 to 0.5 share"` // share of CO2 in the air under the sensor, 0 to 0.5
	AirC     float64 `yaml:"air_c,omitempty" is:"-10 to 50 celsius"`  // air temperature where none is measured, Celsius; 0 = 22
}

// HCSR04 is an ultrasonic pair on two GPIO lines.
type HCSR04 struct {
	Trigger *int   `yaml:"trigger,omitempty" is:"0 to 511 line" need:"yes"` // line number of the pin; 0 is one, nil is none
	Echo    *int   `yaml:"echo,omitempty" is:"0 to 511 line" need:"yes"`
	Device  string `yaml:"device,omitempty" is:"device"` // such as /dev/gpiochip0; empty = the chip of the header pins
	Power   string `yaml:"power,omitempty" is:"line"`
	Sound   `yaml:",inline"`
	Limits  `yaml:",inline"`
}

// SRF04 is an ultrasonic pair behind the kernel's srf04 driver.
type SRF04 struct {
	Device string `yaml:"device,omitempty" is:"device"` // folder, such as iio:device1
	Sound  `yaml:",inline"`
	Limits `yaml:",inline"`
}

// Serial is an ultrasonic head on a serial line.
type Serial struct {
	Device string `yaml:"device,omitempty" is:"device" need:"yes"` // such as /dev/serial0
	Format string `yaml:"format,omitempty" is:"format"`            // frame or text; empty = frame
	Baud   int    `yaml:"baud,omitempty" is:"1200 to 921600"`      // 0 = 9600
	Sound  `yaml:",inline"`
	Limits `yaml:",inline"`
}

// MQTT is a number in the messages of a topic.
type MQTT struct {
	Broker       string  `yaml:"broker,omitempty" need:"yes"` // mqtt://host:1883 or mqtts://host:8883
	Topic        string  `yaml:"topic,omitempty" need:"yes"`  // exact, no wildcards
	Field        string  `yaml:"field,omitempty"`             // dotted path in a JSON payload; empty = the payload is the number
	Unit         string  `yaml:"unit,omitempty"`              // mm, cm, m, in, C, F, ratio or percent
	User         string  `yaml:"user,omitempty"`
	PasswordFile string  `yaml:"password_file,omitempty"`              // kept out of the configuration
	CAFile       string  `yaml:"ca_file,omitempty"`                    // PEM of the authority that signed the broker's certificate
	CertFile     string  `yaml:"cert_file,omitempty"`                  // PEM of our own certificate
	KeyFile      string  `yaml:"key_file,omitempty"`                   // PEM of its key
	StaleAfter   string  `yaml:"stale_after,omitempty" is:"1s to 24h"` // an older message is no reading; 0 = 2m
	OffsetC      float64 `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
	Limits       `yaml:",inline"`
	// Login is that of the household's messages at the same broker, for a source that
	// names no user. It is no key.
	Login Login `yaml:"-"`
}

// Login says who we are to a broker.
type Login struct{ User, Password, PasswordFile, CAFile string }

// FieldError says what is wrong with one key of a Config, by a sentence of the catalogue:
// what was expected, what was found, what to do.
type FieldError struct {
	Field string // the key as written in the configuration
	Said
}

// Error returns the key of the configuration and that of the sentence, for a log.
func (e *FieldError) Error() string { return e.Field + ": " + e.Key }

// wrong returns a *FieldError. Its sentence is as in Say, with the key less refused.sensor
// in front.
func wrong(field, key string, pairs ...any) error {
	return &FieldError{field, Say("refused.sensor."+key, pairs...)}
}

// said is the sentence of a quantity's name.
func (q Quantity) said() Said { return Say("quantity." + string(q)) }

// kind is an empty Config of a kind with what it measures.
type kind struct {
	Config
	measures []Quantity
}

// kinds returns the kinds, sorted by their names.
func kinds() []kind {
	distance, celsius := []Quantity{Distance}, []Quantity{Temperature}
	air, all := []Quantity{Temperature, Humidity}, []Quantity{Distance, Temperature, Humidity}
	return []kind{{new(BME280), air}, {new(DS18B20), celsius}, {new(HCSR04), distance}, {new(Hwmon), air}, {new(IIO), all}, {new(MQTT), all}, {new(Serial), distance},
		{new(SRF04), distance}, {new(VL53L1X), distance}, {new(VL6180X), distance}, {new(W1), celsius}}
}

// KindOf returns the name of a Config's kind, such as w1.
func KindOf(c Config) string { return strings.ToLower(reflect.TypeOf(c).Elem().Name()) }

// Kinds returns an empty Config of each kind that can measure q.
func Kinds(q Quantity) (out []Config) {
	for _, k := range kinds() {
		if slices.Contains(k.measures, q) {
			out = append(out, k.Config)
		}
	}
	return out
}

// Decode reads the configuration of a source of q from YAML and checks it. The
// error is a *FieldError, or that of the YAML library with its place.
func Decode(n ast.Node, q Quantity) (Config, error) {
	var given map[string]any
	var head struct {
		Kind string `yaml:"kind"`
	}
	for _, into := range []any{&given, &head} {
		if err := yaml.NodeToValue(n, into); err != nil {
			return nil, err
		}
	}
	c, err := fitting(head.Kind, q)
	if err != nil {
		return nil, err
	}
	var takes []string
	for _, f := range fields(c) {
		takes = append(takes, f.key)
		delete(given, f.key)
	}
	delete(given, "kind")
	for _, key := range slices.Sorted(maps.Keys(given)) {
		return nil, wrong(key, "takes", "kind", head.Kind, "keys", strings.Join(takes, ", "))
	}
	if err := yaml.NodeToValue(n, c); err != nil {
		return nil, err
	}
	return c, Check(c, q)
}

// fitting returns an empty Config of a kind, which must measure q.
func fitting(name string, q Quantity) (Config, error) {
	var names []string
	for _, c := range Kinds(q) {
		if names = append(names, KindOf(c)); KindOf(c) == name {
			return c, nil
		}
	}
	list := strings.Join(names, ", ")
	switch {
	case name == "":
		return nil, wrong("kind", "no_kind", "options", list)
	case slices.ContainsFunc(kinds(), func(k kind) bool { return KindOf(k.Config) == name }):
		return nil, wrong("kind", "measures", "found", name, "quantity", q.said(), "options", list)
	}
	return nil, wrong("kind", "kind", "found", name, "options", list)
}

// Check reports whether c describes a source of q. The error is a *FieldError.
func Check(c Config, q Quantity) error {
	if _, err := fitting(KindOf(c), q); err != nil {
		return err
	}
	for _, f := range fields(c) {
		switch {
		case f.value.IsZero():
		case strings.HasSuffix(f.key, "_mm") && q != Distance || f.key == "offset_c" && q != Temperature:
			return wrong(f.key, "unfit", "quantity", q.said())
		default:
			if err := f.check(); err != nil {
				return err
			}
		}
	}
	for _, f := range fields(c) {
		if f.need && f.value.IsZero() {
			return wrong(f.key, "needs", "kind", KindOf(c))
		}
	}
	return c.check(q)
}

// field is one key of a Config with its value and what the value may be.
type field struct {
	key, is string
	need    bool
	value   reflect.Value
}

// fields returns the keys of a Config in the order of its struct.
func fields(c Config) []field {
	var out []field
	v := reflect.ValueOf(c).Elem()
	for _, f := range reflect.VisibleFields(v.Type()) {
		if key, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); !f.Anonymous && key != "-" {
			out = append(out, field{key, f.Tag.Get("is"), f.Tag.Get("need") != "", v.FieldByIndex(f.Index)})
		}
	}
	return out
}

// Flow writes a Config in one line, as it stands in a configuration.
func Flow(c Config) string {
	parts := []string{"kind: " + KindOf(c)}
	for _, f := range fields(c) {
		if f.value.IsZero() {
			continue
		}
		text, _ := yaml.Marshal(f.value.Interface()) // strings, numbers and durations always marshal
		if f.key == "address" || f.key == "mux" {
			text = []byte(hex(int(f.value.Int())))
		}
		parts = append(parts, f.key+": "+strings.TrimSpace(string(text)))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// Describe says in a few words what is read, for tables and messages.
func Describe(c Config) string {
	out, mux := KindOf(c), false
	for _, f := range fields(c) {
		switch {
		case f.value.IsZero() && (f.key != "port" || !mux):
		case slices.Contains([]string{"id", "device", "name", "channel", "topic"}, f.key):
			out += " " + f.value.String()
		case f.key == "address":
			out += " " + hex(int(f.value.Int()))
		case f.key == "mux":
			mux, out = true, out+" mux "+hex(int(f.value.Int()))
		case f.key == "port":
			out += fmt.Sprint(" port ", f.value.Int())
		}
	}
	return out
}
