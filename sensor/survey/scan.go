// Package survey finds out what sensors a machine has, whether they work, and how
// they sit over a vessel: the work behind the commands check and level, and behind
// the same steps on the page.
//
// Units: mm, litres, Celsius, degrees of angle.
//
// It reads and advises; it changes nothing on the machine.
package survey

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"periph.io/x/conn/v3/i2c"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/kernel"
)

// Device is something that a scan found.
type Device struct {
	Place    string // bus or folder
	What     string // in words
	Quantity sensor.Quantity
	Config   sensor.Config // nil when it is no sensor, or one that is not known
}

// Machine is where a scan looks.
type Machine struct {
	Sysfs string // empty = /sys
	Dev   string // empty = /dev
	Buses *chip.Buses
}

// Section is one kind of bus with what is on it.
type Section struct {
	Name    string
	Devices []Device
	None    string // what to do when nothing was found
}

// Scan looks at every bus of the machine. It asks chips for their identity only,
// at the addresses where a known one can be.
func (m Machine) Scan(ctx context.Context) []Section {
	m.Sysfs, m.Dev = cmp.Or(m.Sysfs, "/sys"), cmp.Or(m.Dev, "/dev")
	return []Section{
		{"1-wire probes", m.probes(), "switch 1-Wire on (on a Pi: dtoverlay=w1-gpio in config.txt) and check the probe's three wires"},
		{"I2C chips", m.i2c(ctx), "switch I2C on (on a Pi: dtparam=i2c_arm=on in config.txt) and check SDA, SCL, ground and 3.3 V"},
		{"kernel IIO devices", m.iio(), "hand a chip to its kernel driver (deploy/wiring.md says how) if you want to use one"},
		{"kernel hwmon chips", m.hwmon(), "none is needed; air sensors such as sht3x can be used when their driver is loaded"},
		{"GPIO chips", m.files("gpiochip*", "lines for an ultrasonic pair, shutdown and supply lines"), "this machine has no GPIO lines that programs may use"},
		{"serial lines", m.serial(), "switch the serial port on, or plug in an adapter, if you have a serial head"},
	}
}

// probes lists the 1-wire thermometers.
func (m Machine) probes() []Device {
	var out []Device
	for _, id := range kernel.W1Probes(m.Sysfs) {
		out = append(out, Device{"1-wire", "thermometer " + id, sensor.Temperature, &sensor.W1{ID: id}})
	}
	return out
}

// glob lists the files that fit a pattern, sorted.
func glob(parts ...string) []string {
	found, _ := filepath.Glob(filepath.Join(parts...)) // only a malformed pattern errs
	return found
}

// line reads the first line of a small kernel file; empty when it cannot be read.
func line(path string) string {
	b, _ := os.ReadFile(path) // absent: an answer too
	first, _, _ := strings.Cut(strings.TrimSpace(string(b)), "\n")
	return first
}

// iio lists the channels of IIO devices that are of use.
func (m Machine) iio() []Device {
	var out []Device
	for _, dir := range glob(m.Sysfs, "bus/iio/devices/iio:device*") {
		name := line(filepath.Join(dir, "name"))
		for channel, q := range iioChannels() {
			if len(glob(dir, "in_"+channel+"_raw"))+len(glob(dir, "in_"+channel+"_input")) == 0 {
				continue
			}
			d := Device{filepath.Base(dir), fmt.Sprintf("%s, %s", cmp.Or(name, "nameless"), q), q, &sensor.IIO{Name: name}}
			if strings.HasPrefix(name, "srf04") && q == sensor.Distance {
				d.Config = &sensor.SRF04{}
			}
			out = append(out, d)
		}
	}
	byDevice(out)
	sortDevices(out)
	return out
}

// byDevice names devices by their folder where a name says too little: where there
// is none, or several of one quantity bear it.
func byDevice(all []Device) {
	same := map[string]int{}
	key := func(d Device) string { return sensor.Describe(d.Config) + string(d.Quantity) }
	for _, d := range all {
		if d.Config != nil {
			same[key(d)]++
		}
	}
	for i, d := range all {
		switch c := d.Config.(type) {
		case *sensor.IIO:
			if c.Name == "" || same[key(d)] > 1 {
				all[i].Config = &sensor.IIO{Device: d.Place}
			}
		case *sensor.Hwmon:
			if c.Name == "" || same[key(d)] > 1 {
				all[i].Config = &sensor.Hwmon{Device: d.Place}
			}
		case *sensor.SRF04:
			if same[key(d)] > 1 {
				all[i].Config = &sensor.SRF04{Device: d.Place}
			}
		}
	}
}

// iioChannels are the channels of use and what they measure.
func iioChannels() map[string]sensor.Quantity {
	return map[string]sensor.Quantity{"distance": sensor.Distance, "temp": sensor.Temperature, "humidityrelative": sensor.Humidity}
}

// sortDevices puts devices in the order of their place and words.
func sortDevices(d []Device) {
	slices.SortFunc(d, func(a, b Device) int {
		return cmp.Or(strings.Compare(a.Place, b.Place), strings.Compare(a.What, b.What))
	})
}

// hwmon lists the temperatures and humidities of hwmon chips.
func (m Machine) hwmon() []Device {
	var out []Device
	for _, dir := range glob(m.Sysfs, "class/hwmon/hwmon*") {
		name := line(filepath.Join(dir, "name"))
		for channel, q := range map[string]sensor.Quantity{"temp1": sensor.Temperature, "humidity1": sensor.Humidity} {
			if len(glob(dir, channel+"_input")) == 0 {
				continue
			}
			d := Device{filepath.Base(dir), fmt.Sprintf("%s, %s", cmp.Or(name, "nameless"), q), q, &sensor.Hwmon{Name: name}}
			if strings.Contains(name, "cpu") || strings.Contains(name, "core") || strings.HasPrefix(name, "rp1") || strings.HasPrefix(name, "w1_slave") {
				d.Config = nil // the board's own temperature, or a probe already listed
			}
			out = append(out, d)
		}
	}
	byDevice(out)
	sortDevices(out)
	return out
}

// files lists device files.
func (m Machine) files(pattern, what string) []Device {
	var out []Device
	for _, path := range glob(m.Dev, pattern) {
		out = append(out, Device{Place: path, What: what})
	}
	return out
}

// serial lists serial lines: those with a stable name first.
func (m Machine) serial() []Device {
	var out []Device
	for _, pattern := range []string{"serial/by-id/*", "serial[0-9]*"} {
		for _, path := range glob(m.Dev, pattern) {
			out = append(out, Device{path, "serial line", sensor.Distance, &sensor.Serial{Device: path}})
		}
	}
	return out
}

// i2c looks for chips on every I2C bus.
func (m Machine) i2c(ctx context.Context) []Device {
	var out []Device
	for _, path := range glob(m.Dev, "i2c-[0-9]*") {
		number := strings.TrimPrefix(filepath.Base(path), "i2c-")
		if m.Buses == nil || ctx.Err() != nil {
			break
		}
		bus, err := m.Buses.OpenI2C(number)
		if err != nil {
			out = append(out, Device{Place: "I2C bus " + number, What: err.Error()})
			continue
		}
		found := probeBus(bus, number)
		if len(found) == 0 {
			found = []Device{{Place: "I2C bus " + number, What: "the bus is on, but no chip that is known here answers: check SDA, SCL, ground and 3.3 V; a chip that the kernel drives stands below"}}
		}
		out = append(out, found...)
		_ = bus.Close() // it was only read
	}
	return out
}

// probeBus identifies the chips on a bus and behind its multiplexers.
func probeBus(bus i2c.Bus, number string) []Device {
	var muxes []int
	out := identify(bus, "I2C bus "+number, sensor.I2C{Bus: number})
	for addr := 0x70; addr <= 0x77; addr++ {
		if isMux(bus, addr) {
			muxes = append(muxes, addr)
			out = append(out, Device{Place: "I2C bus " + number, What: fmt.Sprintf("multiplexer at 0x%02x", addr)})
		}
	}
	for _, addr := range muxes {
		for port := range 8 {
			if bus.Tx(uint16(addr), []byte{1 << port}, nil) != nil {
				continue
			}
			base := sensor.I2C{Bus: number, Mux: addr, Port: port}
			out = append(out, without(identify(bus, fmt.Sprintf("I2C bus %s, multiplexer 0x%02x port %d", number, addr, port), base), out)...)
		}
		_ = bus.Tx(uint16(addr), []byte{0}, nil) // closed again; it was there a moment ago
	}
	return out
}

// without drops chips that answer on the bus itself too.
func without(found, known []Device) []Device {
	return slices.DeleteFunc(found, func(d Device) bool {
		return slices.ContainsFunc(known, func(k Device) bool { return k.What == d.What && k.Config != nil })
	})
}

// identify asks the addresses where a known chip can be.
func identify(bus i2c.Bus, place string, base sensor.I2C) []Device {
	var out []Device
	add := func(c sensor.Config, q sensor.Quantity, what string) {
		out = append(out, Device{place, what, q, c})
	}
	switch {
	case !answers(bus, 0x29):
	case is(bus, 0x29, []byte{0xc0}, 0xee, 0xaa): // first: its registers have 8 bits, and more would be a write
		out = append(out, Device{Place: place, What: "VL53L0X at 0x29: hand it to its kernel driver (deploy/wiring.md says how) and use kind iio"})
	case is(bus, 0x29, []byte{0x01, 0x0f}, 0xea, 0xcc):
		add(&sensor.VL53L1X{I2C: base}, sensor.Distance, "VL53L1X, distance at 0x29")
	case is(bus, 0x29, []byte{0x00, 0x00}, 0xb4):
		add(&sensor.VL6180X{I2C: base}, sensor.Distance, "VL6180X, distance at 0x29")
	default:
		out = append(out, Device{Place: place, What: "a chip at 0x29 that is not known; if there are several, keep all but one in shutdown"})
	}
	for _, addr := range []int{0x76, 0x77} {
		at := base
		if addr != 0x76 {
			at.Address = addr
		}
		if is(bus, addr, []byte{0xd0}, 0x60) {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, fmt.Sprintf("BME280, temperature at 0x%02x", addr))
			add(&sensor.BME280{I2C: at}, sensor.Humidity, fmt.Sprintf("BME280, humidity at 0x%02x", addr))
		} else if is(bus, addr, []byte{0xd0}, 0x58) {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, fmt.Sprintf("BMP280, temperature at 0x%02x", addr))
		}
	}
	return out
}

// isMux tells whether a multiplexer answers at an address: what is written to it
// can be read back. The identity register of an air chip, which may be at 0x76 or
// 0x77, never holds its own number.
func isMux(bus i2c.Bus, addr int) bool {
	if !is(bus, addr, []byte{0xd0}, 0xd0) {
		return false
	}
	return bus.Tx(uint16(addr), []byte{0}, nil) == nil
}

// answers tells whether a chip answers at an address.
func answers(bus i2c.Bus, addr int) bool { return bus.Tx(uint16(addr), nil, make([]byte, 1)) == nil }

// is tells whether a register holds the given bytes.
func is(bus i2c.Bus, addr int, register []byte, want ...byte) bool {
	got := make([]byte, len(want))
	return bus.Tx(uint16(addr), register, got) == nil && slices.Equal(got, want)
}

// Snippet returns a piece of configuration for what a scan found, ready to paste
// and accepted as it stands: a vessel for each distance sensor, with a probe in its
// dough as long as there are probes. Probes left over stand in a comment. It is
// empty when no distance sensor was found, because no vessel can do without.
func Snippet(sections []Section) string {
	found := map[string][]sensor.Config{} // by role
	for _, s := range sections {
		for _, d := range s.Devices {
			if role := roleOf(d); role != "" {
				found[role] = append(found[role], d.Config)
			}
		}
	}
	heights, probes := found["height"], found["dough"]
	if len(heights) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("vessels:\n")
	for i, height := range heights {
		writeVessel(&b, i, map[string][]sensor.Config{"height": {height}, "dough": part(probes, i), "air": part(found["air"], 0), "humidity": part(found["humidity"], 0)})
	}
	for _, spare := range probes[min(len(heights), len(probes)):] {
		fmt.Fprintf(&b, "# one probe more, for air or loaf of a vessel: %s\n", sensor.Flow(spare))
	}
	return b.String()
}

// roleOf returns what a device of a scan is proposed for: height, dough, air or
// humidity; empty when it is not proposed.
func roleOf(d Device) string {
	switch {
	case d.Config == nil || sensor.Check(d.Config, d.Quantity) != nil:
		return ""
	case sensor.KindOf(d.Config) == sensor.KindSerial: // the line may lead anywhere
		return ""
	case d.Quantity == sensor.Distance:
		return "height"
	case sensor.KindOf(d.Config) == sensor.KindW1:
		return "dough"
	case d.Quantity == sensor.Temperature:
		return "air"
	default:
		return "humidity"
	}
}

// part returns the one element at i, or none.
func part(configs []sensor.Config, i int) []sensor.Config {
	if i < len(configs) {
		return configs[i : i+1]
	}
	return nil
}

// writeVessel writes vessel number i with its sensors by role.
func writeVessel(b *strings.Builder, i int, sensors map[string][]sensor.Config) {
	fmt.Fprintf(b, "  - name: vessel %d            # a name of your own\n", i+1)
	b.WriteString("    holds: dough               # or starter\n")
	b.WriteString("    floor_mm: 240              # sensor to the empty vessel's floor; tidemark level measures it\n")
	b.WriteString("    profile: {shape: straight, diameter_mm: 180, height_mm: 180}   # your vessel's inside\n")
	b.WriteString("    target_percent: 100        # doubling\n")
	for _, role := range []string{"height", "dough", "air", "humidity"} {
		for _, c := range sensors[role] {
			fmt.Fprintf(b, "    %s: %s\n", role, sensor.Flow(c))
		}
	}
}
