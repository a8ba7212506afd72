package sensor

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// Kind names a way of reading a quantity.
type Kind string

// The kinds of source.
const (
	KindW1      Kind = "w1"      // 1-wire probe through the kernel's files
	KindDS18B20 Kind = "ds18b20" // 1-wire probe on a bus this program drives
	KindIIO     Kind = "iio"     // the kernel's industrial I/O files
	KindHwmon   Kind = "hwmon"   // the kernel's hardware monitoring files
	KindVL53L1X Kind = "vl53l1x" // time-of-flight chip on I2C
	KindVL6180X Kind = "vl6180x" // short-range time-of-flight chip on I2C
	KindBME280  Kind = "bme280"  // air temperature and humidity chip on I2C
	KindHCSR04  Kind = "hcsr04"  // ultrasonic pair on two GPIO lines
	KindSRF04   Kind = "srf04"   // ultrasonic pair through the kernel's driver
	KindSerial  Kind = "serial"  // ultrasonic head on a serial line
	KindMQTT    Kind = "mqtt"    // a number in messages from a broker
)

// Config is the configuration of one source: a pointer to the struct of its kind,
// W1 to MQTT below, which bears the name of the kind. Its keys are those of the
// configuration file; the tag is says what a value may be (see field.check).
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
	XShut  string   `yaml:"xshut,omitempty" is:"line"`            // GPIO line at the shutdown pin, like GPIO17
	ROI    int      `yaml:"roi,omitempty" is:"4 to 16 receivers"` // receivers used a side, 4 to 16; 0 = 16
	Budget Duration `yaml:"budget,omitempty" is:"20ms to 1s"`     // time for one ranging, 20 ms to 1 s; 0 = 50 ms
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
	Trigger *int   `yaml:"trigger,omitempty" is:"0 to 511 line"` // line number of the pin; 0 is one, nil is none
	Echo    *int   `yaml:"echo,omitempty" is:"0 to 511 line"`
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
	Device string `yaml:"device,omitempty" is:"device"`       // such as /dev/serial0
	Format string `yaml:"format,omitempty" is:"format"`       // frame or text; empty = frame
	Baud   int    `yaml:"baud,omitempty" is:"1200 to 921600"` // 0 = 9600
	Sound  `yaml:",inline"`
	Limits `yaml:",inline"`
}

// MQTT is a number in the messages of a topic.
type MQTT struct {
	Broker       string   `yaml:"broker,omitempty"` // mqtt://host:1883 or mqtts://host:8883
	Topic        string   `yaml:"topic,omitempty"`  // exact, no wildcards
	Field        string   `yaml:"field,omitempty"`  // dotted path in a JSON payload; empty = the payload is the number
	Unit         string   `yaml:"unit,omitempty"`   // mm, cm, m, in, C, F, ratio or percent
	User         string   `yaml:"user,omitempty"`
	PasswordFile string   `yaml:"password_file,omitempty"`              // kept out of the configuration
	CAFile       string   `yaml:"ca_file,omitempty"`                    // PEM of the authority that signed the broker's certificate
	CertFile     string   `yaml:"cert_file,omitempty"`                  // PEM of our own certificate
	KeyFile      string   `yaml:"key_file,omitempty"`                   // PEM of its key
	StaleAfter   Duration `yaml:"stale_after,omitempty" is:"1s to 24h"` // an older message is no reading; 0 = 2m
	OffsetC      float64  `yaml:"offset_c,omitempty" is:"-10 to 10 celsius"`
	Limits       `yaml:",inline"`
	// Login is that of the household's messages at the same broker, for a source that
	// names no user. It is no key.
	Login Login `yaml:"-"`
}

// Login says who we are to a broker.
type Login struct{ User, Password, PasswordFile, CAFile string }

// Duration is a length of time in the form Go writes it: 33ms, 90s, 2m.
type Duration time.Duration

// String returns the usual form, such as 1m30s.
func (d Duration) String() string { return time.Duration(d).String() }

// MarshalText returns the usual form.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads a length of time with its unit, and refuses a bare number.
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is not a length of time: write it with its unit, like 33ms, 90s or 2m", b)
	}
	*d = Duration(v)
	return nil
}

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

// kindInfo is what one kind measures and needs.
type kindInfo struct {
	measures []Quantity
	needs    []string // keys it cannot do without
	empty    func() Config
}

// kinds returns the table of kinds.
func kinds() map[Kind]kindInfo {
	distance, celsius := []Quantity{Distance}, []Quantity{Temperature}
	air, all := []Quantity{Temperature, Humidity}, []Quantity{Distance, Temperature, Humidity}
	return map[Kind]kindInfo{
		KindW1:      {celsius, nil, func() Config { return new(W1) }},
		KindDS18B20: {celsius, nil, func() Config { return new(DS18B20) }},
		KindHwmon:   {air, nil, func() Config { return new(Hwmon) }},
		KindIIO:     {all, nil, func() Config { return new(IIO) }},
		KindVL53L1X: {distance, nil, func() Config { return new(VL53L1X) }},
		KindVL6180X: {distance, nil, func() Config { return new(VL6180X) }},
		KindBME280:  {air, nil, func() Config { return new(BME280) }},
		KindHCSR04:  {distance, []string{"trigger", "echo"}, func() Config { return new(HCSR04) }},
		KindSRF04:   {distance, nil, func() Config { return new(SRF04) }},
		KindSerial:  {distance, []string{"device"}, func() Config { return new(Serial) }},
		KindMQTT:    {all, []string{"broker", "topic"}, func() Config { return new(MQTT) }},
	}
}

// KindOf returns the kind of a Config.
func KindOf(c Config) Kind { return Kind(strings.ToLower(reflect.TypeOf(c).Elem().Name())) }

// Kinds returns the kinds that can measure q, sorted.
func Kinds(q Quantity) []Kind {
	var out []Kind
	for k, info := range kinds() {
		if slices.Contains(info.measures, q) {
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

// Decode reads the configuration of a source of q from YAML and checks it. The
// error is a *FieldError, or that of the YAML library with its place.
func Decode(n ast.Node, q Quantity) (Config, error) {
	var given map[string]any
	var head struct {
		Kind Kind `yaml:"kind"`
	}
	for _, into := range []any{&given, &head} {
		if err := yaml.NodeToValue(n, into); err != nil {
			return nil, err
		}
	}
	info, err := fitting(head.Kind, q)
	if err != nil {
		return nil, err
	}
	c := info.empty()
	var takes []string
	for _, f := range fields(c) {
		takes = append(takes, f.key)
		delete(given, f.key)
	}
	delete(given, "kind")
	for _, key := range slices.Sorted(maps.Keys(given)) {
		return nil, wrong(key, "takes", "kind", string(head.Kind), "keys", strings.Join(takes, ", "))
	}
	if err := yaml.NodeToValue(n, c); err != nil {
		return nil, err
	}
	return c, Check(c, q)
}

// fitting returns what is known of a kind, which must measure q.
func fitting(k Kind, q Quantity) (kindInfo, error) {
	var names []string
	for _, known := range Kinds(q) {
		names = append(names, string(known))
	}
	info, ok := kinds()[k]
	switch list := strings.Join(names, ", "); {
	case k == "":
		return info, wrong("kind", "no_kind", "options", list)
	case !ok:
		return info, wrong("kind", "kind", "found", string(k), "options", list)
	case !slices.Contains(info.measures, q):
		return info, wrong("kind", "measures", "found", string(k), "quantity", q.said(), "options", list)
	}
	return info, nil
}

// Check reports whether c describes a source of q. The error is a *FieldError.
func Check(c Config, q Quantity) error {
	info, err := fitting(KindOf(c), q)
	if err != nil {
		return err
	}
	set := map[string]bool{}
	for _, f := range fields(c) {
		if f.value.IsZero() {
			continue
		}
		set[f.key] = true
		if strings.HasSuffix(f.key, "_mm") && q != Distance || f.key == "offset_c" && q != Temperature {
			return wrong(f.key, "unfit", "quantity", q.said())
		}
		if err := f.check(); err != nil {
			return err
		}
	}
	for _, key := range info.needs {
		if !set[key] {
			return wrong(key, "needs", "kind", string(KindOf(c)))
		}
	}
	return c.check(q)
}

// field is one key of a Config with its value and what the value may be.
type field struct {
	key, is string
	value   reflect.Value
}

// fields returns the keys of a Config in the order of its struct.
func fields(c Config) []field {
	var out []field
	v := reflect.ValueOf(c).Elem()
	for _, f := range reflect.VisibleFields(v.Type()) {
		if key, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); !f.Anonymous && key != "-" {
			out = append(out, field{key, f.Tag.Get("is"), v.FieldByIndex(f.Index)})
		}
	}
	return out
}

// Flow writes a Config in one line, as it stands in a configuration.
func Flow(c Config) string {
	parts := []string{"kind: " + string(KindOf(c))}
	for _, f := range fields(c) {
		if f.value.IsZero() {
			continue
		}
		if f.key == "address" || f.key == "mux" { // usual in hex
			parts = append(parts, fmt.Sprintf("%s: 0x%02x", f.key, f.value.Int()))
			continue
		}
		text, err := yaml.Marshal(f.value.Interface())
		if err != nil {
			continue // strings, numbers and durations always marshal
		}
		parts = append(parts, f.key+": "+strings.TrimSpace(string(text)))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// Describe says in a few words what is read, for tables and messages.
func Describe(c Config) string {
	parts := []string{string(KindOf(c))}
	mux := false
	for _, f := range fields(c) {
		switch key := f.key; {
		case f.value.IsZero() && (key != "port" || !mux):
		case slices.Contains([]string{"id", "device", "name", "channel", "topic"}, key):
			parts = append(parts, f.value.String())
		case key == "address":
			parts = append(parts, fmt.Sprintf("0x%02x", f.value.Int()))
		case key == "mux":
			mux, parts = true, append(parts, fmt.Sprintf("mux 0x%02x", f.value.Int()))
		case key == "port":
			parts = append(parts, fmt.Sprintf("port %d", f.value.Int()))
		}
	}
	return strings.Join(parts, " ")
}
