package survey

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tidemark/sensor"
	"tidemark/sensor/source"
)

// Found is something that a look at the buses met, or a bus with nothing on it, which has
// no What. It is a sensor when it has a Config; one with a Role is proposed for that.
type Found struct {
	Result
	Bus    sensor.Said
	Place  string // bus or folder
	What   sensor.Said
	UsedBy string // who reads it already; it is not read again then
}

// Scan looks at every bus of the machine. It asks chips for their identity only, at the
// addresses where a known one can be.
func Scan(ctx context.Context, env source.Env) []Found {
	sys, dev := cmp.Or(env.SysfsRoot, "/sys"), cmp.Or(env.DevRoot, "/dev")
	var probes, lines, heads []Found
	for _, id := range source.W1Probes(sys) {
		probes = append(probes, sensorAt("1-wire", sensor.Temperature, &sensor.W1{ID: id}, "thermometer", "id", id))
	}
	for _, path := range glob(dev, "gpiochip*") {
		lines = append(lines, Found{Place: path, What: sensor.Say("scan.lines")})
	}
	for _, path := range append(glob(dev, "serial/by-id/*"), glob(dev, "serial[0-9]*")...) { // stable names first
		heads = append(heads, sensorAt(path, sensor.Distance, &sensor.Serial{Device: path}, "line"))
	}
	iio := channels(filepath.Join(sys, "bus/iio/devices/iio:device*"), [][2]string{{"in_distance_*", "distance"}, {"in_humidityrelative_*", "humidity"}, {"in_temp_*", "temperature"}},
		func(chip, name, device string, q sensor.Quantity) sensor.Config {
			if strings.HasPrefix(chip, "srf04") && q == sensor.Distance {
				return &sensor.SRF04{Device: device}
			}
			return &sensor.IIO{Name: name, Device: device}
		})
	hwmon := channels(filepath.Join(sys, "class/hwmon/hwmon*"), [][2]string{{"humidity1_input", "humidity"}, {"temp1_input", "temperature"}},
		func(chip, name, device string, _ sensor.Quantity) sensor.Config {
			if strings.Contains(chip, "cpu") || strings.Contains(chip, "core") || strings.HasPrefix(chip, "rp1") || strings.HasPrefix(chip, "w1_slave") {
				return nil // the board's own temperature, or a probe already listed
			}
			return &sensor.Hwmon{Name: name, Device: device}
		})
	var out []Found
	for _, bus := range []struct {
		key string
		on  []Found
	}{{"scan.w1", probes}, {"scan.i2c", chips(ctx, dev, env.Buses)}, {"scan.iio", iio}, {"scan.hwmon", hwmon}, {"scan.gpio", lines}, {"scan.serial", heads}} {
		if len(bus.on) == 0 {
			bus.on = []Found{{Result: Result{Advice: []string{bus.key + ".none"}}}}
		}
		for _, f := range bus.on {
			f.Bus = sensor.Say(bus.key)
			out = append(out, f)
		}
	}
	return out
}

// sensorAt returns a sensor that was found, with the sentence that says what it is, and
// what it is proposed for; c is nil when it is none of ours.
func sensorAt(place string, q sensor.Quantity, c sensor.Config, key string, pairs ...any) Found {
	f := Found{Place: place, What: sensor.Say("scan."+key, pairs...), Result: Result{Config: c, Quantity: q}}
	switch c.(type) {
	case nil, *sensor.Serial: // that line may lead anywhere
	case *sensor.W1:
		f.Role = "dough"
	default:
		f.Role = map[sensor.Quantity]string{sensor.Distance: "height", sensor.Temperature: "air", sensor.Humidity: "humidity"}[q]
	}
	if c != nil && sensor.Check(c, q) != nil {
		f.Role = ""
	}
	return f
}

// glob lists the files that fit a pattern, sorted.
func glob(parts ...string) []string {
	found, _ := filepath.Glob(filepath.Join(parts...)) // only a malformed pattern errs
	return found
}

// channels lists the channels of use of the kernel's devices, which are known by a pattern
// of files and the quantity it means. conf makes the configuration of a chip of the
// kernel's: by that name, or by its folder where that says too little, as when there is
// none, or several devices bear it.
func channels(dirs string, known [][2]string, conf func(chip, name, device string, q sensor.Quantity) sensor.Config) (out []Found) {
	names, same := map[string]string{}, map[string]int{}
	for _, dir := range glob(dirs) {
		b, _ := os.ReadFile(filepath.Join(dir, "name")) // absent: an answer too
		names[dir] = strings.TrimSpace(string(b))
		same[names[dir]]++
	}
	for _, dir := range glob(dirs) {
		chip, name, device := names[dir], names[dir], ""
		if name == "" || same[name] > 1 {
			name, device = "", filepath.Base(dir)
		}
		for _, c := range known {
			if q := sensor.Quantity(c[1]); len(glob(dir, c[0])) > 0 {
				out = append(out, sensorAt(filepath.Base(dir), q, conf(chip, name, device, q), c[1], "chip", cmp.Or(chip, "nameless")))
			}
		}
	}
	return out
}

// chips looks for chips on every I2C bus.
func chips(ctx context.Context, dev string, buses *source.Buses) (out []Found) {
	for _, path := range glob(dev, "i2c-[0-9]*") {
		if buses == nil || ctx.Err() != nil {
			break
		}
		number := strings.TrimPrefix(filepath.Base(path), "i2c-")
		place := "I2C bus " + number
		bus, err := buses.OpenI2C(number)
		if err != nil {
			out = append(out, Found{Place: place, Result: Result{Problem: err}})
			continue
		}
		found := onBus(bus, place, number)
		if len(found) == 0 {
			found = []Found{{Place: place, What: sensor.Say("scan.empty")}}
		}
		out = append(out, found...)
		_ = bus.Close() // it was only read
	}
	return out
}

// onBus identifies the chips on a bus and behind its multiplexers. What is written to a
// multiplexer can be read back; the identity register of an air chip, which may be at
// 0x76 or 0x77, never holds its own number.
func onBus(bus i2c.Bus, place, number string) []Found {
	out := identify(bus, place, sensor.I2C{Bus: number})
	var muxes []int
	for addr := 0x70; addr <= 0x77; addr++ {
		if is(bus, addr, "\xd0", "\xd0") && bus.Tx(uint16(addr), []byte{0}, nil) == nil {
			muxes = append(muxes, addr)
			out = append(out, sensorAt(place, "", nil, "multiplexer", "address", fmt.Sprintf("0x%02x", addr)))
		}
	}
	direct := out
	for _, addr := range muxes {
		for port := range 8 {
			if bus.Tx(uint16(addr), []byte{1 << port}, nil) != nil {
				continue
			}
			for _, f := range identify(bus, fmt.Sprintf("%s, multiplexer 0x%02x port %d", place, addr, port), sensor.I2C{Bus: number, Mux: addr, Port: port}) {
				if !slices.ContainsFunc(direct, func(d Found) bool { return d.Config != nil && fmt.Sprint(d.What) == fmt.Sprint(f.What) }) { // else it answers on the bus itself
					out = append(out, f)
				}
			}
		}
		_ = bus.Tx(uint16(addr), []byte{0}, nil) // closed again; it was there a moment ago
	}
	return out
}

// identify asks the addresses where a known chip can be.
func identify(bus i2c.Bus, place string, at sensor.I2C) (out []Found) {
	add := func(c sensor.Config, q sensor.Quantity, chip string, addr int) {
		out = append(out, sensorAt(place, q, c, "chip."+string(q), "chip", chip, "address", fmt.Sprintf("0x%02x", addr)))
	}
	switch {
	case bus.Tx(0x29, nil, make([]byte, 1)) != nil: // nobody is there
	case is(bus, 0x29, "\xc0", "\xee\xaa"): // first: its registers have 8 bits, and more would be a write
		out = append(out, sensorAt(place, "", nil, "vl53l0x"))
	case is(bus, 0x29, "\x01\x0f", "\xea\xcc"):
		add(&sensor.VL53L1X{I2C: at}, sensor.Distance, "VL53L1X", 0x29)
	case is(bus, 0x29, "\x00\x00", "\xb4"):
		add(&sensor.VL6180X{I2C: at}, sensor.Distance, "VL6180X", 0x29)
	default:
		out = append(out, sensorAt(place, "", nil, "stranger"))
	}
	for _, addr := range []int{0x76, 0x77} {
		if addr != 0x76 {
			at.Address = addr
		}
		if is(bus, addr, "\xd0", "\x60") {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, "BME280", addr)
			add(&sensor.BME280{I2C: at}, sensor.Humidity, "BME280", addr)
		} else if is(bus, addr, "\xd0", "\x58") {
			add(&sensor.BME280{I2C: at}, sensor.Temperature, "BMP280", addr)
		}
	}
	return out
}

// is tells whether a register of a chip holds the given bytes.
func is(bus i2c.Bus, addr int, register, want string) bool {
	got := make([]byte, len(want))
	return bus.Tx(uint16(addr), []byte(register), got) == nil && string(got) == want
}

// Try scans the machine and reads each sensor that it finds for a length of time. used
// names who reads a sensor already, by the sensor's line in the file. Buses that only
// few have are left out when there is nothing on them.
func Try(ctx context.Context, env source.Env, used map[string]string, length time.Duration) []Found {
	var out []Found
	var at []int
	var sensors []Result
	for _, f := range Scan(ctx, env) {
		if f.Config != nil {
			f.UsedBy = used[sensor.Flow(f.Config)]
		}
		usual := f.Bus.Key == "scan.w1" || f.Bus.Key == "scan.i2c"
		switch {
		case f.UsedBy == "" && f.Role != "":
			sensors, at = append(sensors, f.Result), append(at, len(out))
		case f.UsedBy == "" && !usual:
			continue // a line that may lead anywhere
		}
		out = append(out, f)
	}
	for i, r := range Check(ctx, sensors, env, length) {
		out[at[i]].Result = r
	}
	return out
}
