package sensor

import (
	"fmt"
	"reflect"
	"sort"
	"strings"
	"time"
)

// Kind names a way of reading a quantity.
type Kind string

// The kinds a Spec can have.
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

// Spec describes one source as it stands in the configuration. Which fields a
// kind takes is told by Fields; a field that the kind does not take must be
// left out.
type Spec struct {
	Kind Kind `yaml:"kind"`

	// What to read.
	ID      string `yaml:"id,omitempty"`      // w1, ds18b20: the probe's id, like 28-0123456789ab; empty = the only one
	Device  string `yaml:"device,omitempty"`  // iio:device0, hwmon2, /dev/gpiochip0, /dev/serial0
	Name    string `yaml:"name,omitempty"`    // iio, hwmon: what the kernel calls the chip, like vl53l0x
	Channel string `yaml:"channel,omitempty"` // iio, hwmon: like distance, distance1, temp1

	// I2C.
	Bus     string `yaml:"bus,omitempty"`     // I2C bus number, 1 by default; ds18b20: name of the 1-wire bus
	Address int    `yaml:"address,omitempty"` // chip address on the bus
	Mux     int    `yaml:"mux,omitempty"`     // address of a PCA9548 multiplexer in between, 0x70 to 0x77
	Port    int    `yaml:"port,omitempty"`    // port of that multiplexer, 0 to 7
	XShut   string `yaml:"xshut,omitempty"`   // GPIO line at the chip's shutdown pin, like GPIO17
	Power   string `yaml:"power,omitempty"`   // GPIO line that feeds the chip or probe
	ROI     int    `yaml:"roi,omitempty"`     // vl53l1x: receivers used, 4 to 16 in each direction
	Budget  Span   `yaml:"budget,omitempty"`  // vl53l1x: time for one ranging, 20 ms to 1 s

	// Ultrasonic.
	Trigger  *int    `yaml:"trigger,omitempty"`   // hcsr04: line number of the trigger pin; 0 is one, nil is none
	Echo     *int    `yaml:"echo,omitempty"`      // hcsr04: line number of the echo pin
	Pings    int     `yaml:"pings,omitempty"`     // hcsr04, srf04: pings for one reading, 3 to 25
	CO2Ratio float64 `yaml:"co2_ratio,omitempty"` // share of CO2 in the air under the sensor, 0 to 0.5
	AirC     float64 `yaml:"air_c,omitempty"`     // air temperature to assume where none is measured, Celsius

	// Serial.
	Format string `yaml:"format,omitempty"` // serial: frame or text
	Baud   int    `yaml:"baud,omitempty"`   // serial: 9600 by default

	// MQTT.
	Broker       string `yaml:"broker,omitempty"` // mqtt://host:1883 or mqtts://host:8883
	Topic        string `yaml:"topic,omitempty"`  // exact topic, no wildcards
	Field        string `yaml:"field,omitempty"`  // dotted path in a JSON payload; empty = the payload is the number
	Unit         string `yaml:"unit,omitempty"`   // mm, cm, m, in, C, F, ratio or percent
	User         string `yaml:"user,omitempty"`
	PasswordFile string `yaml:"password_file,omitempty"` // file with the password, kept out of the configuration
	CAFile       string `yaml:"ca_file,omitempty"`       // PEM file of the authority that signed the broker's certificate
	CertFile     string `yaml:"cert_file,omitempty"`     // PEM file of our own certificate
	KeyFile      string `yaml:"key_file,omitempty"`      // PEM file of its key
	StaleAfter   Span   `yaml:"stale_after,omitempty"`   // a message older than this is no reading; 2m by default

	// For every distance or temperature.
	MinMM    float64 `yaml:"min_mm,omitempty"`    // nearer than this is refused
	MaxMM    float64 `yaml:"max_mm,omitempty"`    // farther than this is refused
	OffsetMM float64 `yaml:"offset_mm,omitempty"` // added to each distance
	OffsetC  float64 `yaml:"offset_c,omitempty"`  // added to each temperature, -10 to 10
}

// Span is a length of time in the form Go writes it: 33ms, 90s, 2m.
type Span time.Duration

// MarshalText gives the usual form, such as 1m30s.
func (s Span) MarshalText() ([]byte, error) { return []byte(time.Duration(s).String()), nil }

// UnmarshalText reads a length of time with its unit, and refuses a bare number.
func (s *Span) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is not a length of time: write it with its unit, like 33ms, 90s or 2m", b)
	}
	*s = Span(d)
	return nil
}

// FieldError says what is wrong with one field of a Spec.
type FieldError struct {
	Field string // the key as written in the configuration
	Msg   string // what was expected, what was found, what to do
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Msg }

// fieldErrf builds a FieldError.
func fieldErrf(field, format string, args ...any) error {
	return &FieldError{field, fmt.Sprintf(format, args...)}
}

// IsZero reports whether nothing was described at all.
func (s Spec) IsZero() bool { return s == Spec{} }

// Lines are the line numbers of an ultrasonic pair; -1, which no chip has, when one
// was not given.
func (s Spec) Lines() (trigger, echo int) {
	number := func(n *int) int {
		if n == nil {
			return -1
		}
		return *n
	}
	return number(s.Trigger), number(s.Echo)
}

// set lists the keys that were given a value, in the order of the struct.
func (s Spec) set() []string {
	var keys []string
	v := reflect.ValueOf(s)
	for i := range v.NumField() {
		if !v.Field(i).IsZero() {
			keys = append(keys, yamlKey(v.Type().Field(i)))
		}
	}
	return keys
}

// yamlKey is the key of a struct field in the configuration.
func yamlKey(f reflect.StructField) string {
	key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	return key
}

// Kinds lists the kinds that can deliver q, sorted.
func Kinds(q Quantity) []Kind {
	var out []Kind
	for k, r := range kindRules() {
		if _, ok := r.delivers[q]; ok {
			out = append(out, k)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i] < out[j] })
	return out
}

// Fields lists the configuration keys that a kind takes beside kind itself.
// It is nil for a kind that does not exist.
func Fields(k Kind) []string { return kindRules()[k].fields }

// Keys lists every configuration key that a Spec has.
func Keys() []string {
	var keys []string
	t := reflect.TypeFor[Spec]()
	for i := range t.NumField() {
		keys = append(keys, yamlKey(t.Field(i)))
	}
	return keys
}
