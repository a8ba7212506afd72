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
	"tidemark/sensor/source"
)

// Device is something that a scan found.
type Device struct {
	Place    string // bus or folder
	What     sensor.Said
	Quantity sensor.Quantity
	Config   sensor.Config // nil when it is no sensor, or one that is not known
	Trouble  error         // what is wrong with it; nil when all is well
}

// Machine is where a scan looks.
type Machine struct {
	Sysfs string // empty = /sys
	Dev   string // empty = /dev
	Buses *source.Buses
}

// Section is one kind of bus with what is on it.
type Section struct {
	Name    string // key of a sentence
	Devices []Device
	None    string // key of what to do when nothing was found
}

// Scan looks at every bus of the machine. It asks chips for their identity only,
// at the addresses where a known one can be.
func (m Machine) Scan(ctx context.Context) []Section {
	m.Sysfs, m.Dev = cmp.Or(m.Sysfs, "/sys"), cmp.Or(m.Dev, "/dev")
	var probes, lines, heads []Device
	for _, id := range source.W1Probes(m.Sysfs) {
		probes = append(probes, Device{"1-wire", sensor.Say("scan.thermometer", "id", id), sensor.Temperature, &sensor.W1{ID: id}, nil})
	}
	for _, path := range glob(m.Dev, "gpiochip*") {
		lines = append(lines, Device{Place: path, What: sensor.Say("scan.lines")})
	}
	for _, path := range append(glob(m.Dev, "serial/by-id/*"), glob(m.Dev, "serial[0-9]*")...) { // stable names first
		heads = append(heads, Device{path, sensor.Say("scan.line"), sensor.Distance, &sensor.Serial{Device: path}, nil})
	}
	iio := channels(filepath.Join(m.Sysfs, "bus/iio/devices/iio:device*"), []channel{{"in_distance_*", sensor.Distance}, {"in_humidityrelative_*", sensor.Humidity}, {"in_temp_*", sensor.Temperature}},
		func(chip, name, device string, q sensor.Quantity) sensor.Config {
			if strings.HasPrefix(chip, "srf04") && q == sensor.Distance {
				return &sensor.SRF04{Device: device}
			}
			return &sensor.IIO{Name: name, Device: device}
		})
	hwmon := channels(filepath.Join(m.Sysfs, "class/hwmon/hwmon*"), []channel{{"humidity1_input", sensor.Humidity}, {"temp1_input", sensor.Temperature}},
		func(chip, name, device string, _ sensor.Quantity) sensor.Config {
			if strings.Contains(chip, "cpu") || strings.Contains(chip, "core") || strings.HasPrefix(chip, "rp1") || strings.HasPrefix(chip, "w1_slave") {
				return nil // the board's own temperature, or a probe already listed
			}
			return &sensor.Hwmon{Name: name, Device: device}
		})
	return []Section{
		{w1Bus, probes, "scan.w1.none"}, {i2cBus, m.i2c(ctx), "scan.i2c.none"}, {"scan.iio", iio, "scan.iio.none"},
		{"scan.hwmon", hwmon, "scan.hwmon.none"}, {"scan.gpio", lines, "scan.gpio.none"}, {"scan.serial", heads, "scan.serial.none"},
	}
}

// The buses that most machines have.
const (
	w1Bus  = "scan.w1"
	i2cBus = "scan.i2c"
)

// glob lists the files that fit a pattern, sorted.
func glob(parts ...string) []string {
	found, _ := filepath.Glob(filepath.Join(parts...)) // only a malformed pattern errs
	return found
}

// channel is a pattern of the files of a device and what they mean.
type channel struct {
	files string
	q     sensor.Quantity
}

// channels lists the channels of use of the kernel's devices. conf makes the
// configuration of a chip of the kernel's: by that name, or by its folder where that
// says too little, as when there is none, or several devices bear it.
func channels(dirs string, known []channel, conf func(chip, name, device string, q sensor.Quantity) sensor.Config) []Device {
	chips, same := map[string]string{}, map[string]int{}
	for _, dir := range glob(dirs) {
		b, _ := os.ReadFile(filepath.Join(dir, "name")) // absent: an answer too
		chips[dir] = strings.TrimSpace(string(b))
		same[chips[dir]]++
	}
	var out []Device
	for _, dir := range glob(dirs) {
		chip, name, device := chips[dir], chips[dir], ""
		if name == "" || same[name] > 1 {
			name, device = "", filepath.Base(dir)
		}
		for _, c := range known {
			if len(glob(dir, c.files)) > 0 {
				out = append(out, Device{filepath.Base(dir), sensor.Say("scan."+string(c.q), "chip", cmp.Or(chip, "nameless")), c.q, conf(chip, name, device, c.q), nil})
			}
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
			out = append(out, Device{Place: "I2C bus " + number, Trouble: err})
			continue
		}
		found := probeBus(bus, number)
		if len(found) == 0 {
			found = []Device{{Place: "I2C bus " + number, What: sensor.Say("scan.empty")}}
		}
		out = append(out, found...)
		_ = bus.Close() // it was only read
	}
	return out
}

// probeBus identifies the chips on a bus and behind its multiplexers.
func probeBus(bus i2c.Bus, number string) []Device {
	place := "I2C bus " + number
	out := identify(bus, place, sensor.I2C{Bus: number})
	var muxes []int
	for addr := 0x70; addr <= 0x77; addr++ {
		if isMux(bus, addr) {
			muxes = append(muxes, addr)
			out = append(out, Device{Place: place, What: sensor.Say("scan.multiplexer", "address", hex(addr))})
		}
	}
	for _, addr := range muxes {
		for port := range 8 {
			if bus.Tx(uint16(addr), []byte{1 << port}, nil) != nil {
				continue
			}
			for _, d := range identify(bus, fmt.Sprintf("%s, multiplexer 0x%02x port %d", place, addr, port), sensor.I2C{Bus: number, Mux: addr, Port: port}) {
				if !slices.ContainsFunc(out, func(k Device) bool {
					return fmt.Sprint(k.What) == fmt.Sprint(d.What) && k.Config != nil && k.Place == place
				}) { // else it answers on the bus itself
					out = append(out, d)
				}
			}
		}
		_ = bus.Tx(uint16(addr), []byte{0}, nil) // closed again; it was there a moment ago
	}
	return out
}

// identify asks the addresses where a known chip can be.
func identify(bus i2c.Bus, place string, base sensor.I2C) (out []Device) {
	add := func(c sensor.Config, q sensor.Quantity, chip string, addr int) {
		out = append(out, Device{place, sensor.Say("scan.chip."+string(q), "chip", chip, "address", hex(addr)), q, c, nil})
	}
	switch {
	case !answers(bus, 0x29):
	case is(bus, 0x29, []byte{0xc0}, 0xee, 0xaa): // first: its registers have 8 bits, and more would be a write
		out = append(out, Device{Place: place, What: sensor.Say("scan.vl53l0x")})
	case is(bus, 0x29, []byte{0x01, 0x0f}, 0xea, 0xcc):
		add(&sensor.VL53L1X{I2C: base}, sensor.Distance, "VL53L1X", 0x29)
	case is(bus, 0x29, []byte{0x00, 0x00}, 0xb4):
		add(&sensor.VL6180X{I2C: base}, sensor.Distance, "VL6180X", 0x29)
	default:
		out = append(out, Device{Place: place, What: sensor.Say("scan.stranger")})
	}
	for _, addr := range []int{0x76, 0x77} {
		at := base
		if addr != 0x76 {
			at.Address = addr
		}
		if is(bus, addr, []byte{0xd0}, 0x60) {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, "BME280", addr)
			add(&sensor.BME280{I2C: at}, sensor.Humidity, "BME280", addr)
		} else if is(bus, addr, []byte{0xd0}, 0x58) {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, "BMP280", addr)
		}
	}
	return out
}

// hex writes the address of a chip.
func hex(addr int) string { return fmt.Sprintf("0x%02x", addr) }

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
