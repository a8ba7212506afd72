package source

import (
	"time"

	"tidemark/sensor"
)

const (
	probeID = "28-0123456789ab"
	w1Dir   = "bus/w1/devices/" + probeID
	w1File  = w1Dir + "/w1_slave"
	good25  = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	iio0    = "bus/iio/devices/iio:device0/"
	hwmon2  = "class/hwmon/hwmon2/"
)

// putIIO lays out a distance sensor of the kernel's industrial I/O.
func (b *bench) putIIO(dir, name, raw string) {
	b.put(dir+"name", name)
	b.put(dir+"in_distance_raw", raw)
	b.put(dir+"in_distance_scale", "0.001")
}

// scenes lists the sensors and their faults.
func scenes() []scene {
	return []scene{
		{"DS18B20, kernel files", 25.062, func(b *bench) (*sensor.Driver, map[string]injury) {
			say := func(text string) injury {
				return injury{func() { b.put(w1File, text) }, func() { b.put(w1File, good25) }}
			}
			heal := say("").heal
			heal()
			return b.open(&sensor.W1{ID: probeID}, sensor.Temperature), map[string]injury{
				"folder vanishes":             {func() { b.drop(w1Dir) }, heal},
				"empty file":                  say(""),
				"checksum NO, stale bytes":    say("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n"),
				"85.000 after power-on":       say("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"),
				"all ones (-0.0625)":          say("ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n"),
				"all zeros":                   say("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"),
				"127.94, too little power":    say("ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937\n"),
				"the kernel reports an error": {func() { b.drop(w1File); b.put(w1File+"/x", "") }, func() { b.drop(w1File); heal() }},
			}
		}},
		{"DS18B20, kernel files, supply line", 25.062, func(b *bench) (*sensor.Driver, map[string]injury) {
			b.put(w1File, good25)
			b.pin("GPIO22", func(high bool) {
				if high {
					b.put(w1File, good25)
				}
			})
			return b.open(&sensor.W1{ID: probeID, Power: "GPIO22"}, sensor.Temperature), map[string]injury{
				"vanishes until its supply is cut": {func() { b.drop(w1Dir) }, nil},
			}
		}},
		{"VL53L0X, kernel files", 187, func(b *bench) (*sensor.Driver, map[string]injury) {
			say := func(raw string) injury {
				return injury{func() { b.put(iio0+"in_distance_raw", raw) }, func() { b.putIIO(iio0, "vl53l0x", "187") }}
			}
			heal := say("").heal
			heal()
			return b.open(&sensor.IIO{Name: "vl53l0x"}, sensor.Distance), map[string]injury{
				"8190, nothing in range":  say("8190"),
				"garbage of 24 mm":        say("24"),
				"empty file":              say(""),
				"device vanishes":         {func() { b.drop(iio0) }, heal},
				"renumbered after replug": {func() { b.drop(iio0); b.putIIO("bus/iio/devices/iio:device4/", "vl53l0x", "187") }, nil},
				"no number":               say("--"),
			}
		}},
		{"air chip, kernel files", 21.5, func(b *bench) (*sensor.Driver, map[string]injury) {
			say := func(file, text string) injury {
				return injury{func() { b.put(hwmon2+file, text) }, func() {
					b.put(hwmon2+"name", "sht3x")
					b.put(hwmon2+"temp1_input", "21500")
					b.drop(hwmon2 + "temp1_fault")
				}}
			}
			heal := say("", "").heal
			heal()
			return b.open(&sensor.Hwmon{Name: "sht3x"}, sensor.Temperature), map[string]injury{
				"device vanishes":            {func() { b.drop(hwmon2) }, heal},
				"empty file":                 say("temp1_input", ""),
				"no number":                  say("temp1_input", "warm"),
				"beyond what air can be":     say("temp1_input", "850000"),
				"the chip reports its fault": say("temp1_fault", "1"),
			}
		}},
		{"DS18B20, own bus", 24.8125, func(b *bench) (*sensor.Driver, map[string]injury) {
			p := b.probe(probeID, 24.8125)
			return b.open(&sensor.DS18B20{ID: probeID}, sensor.Temperature), map[string]injury{
				"does not answer":          flip(&p.Absent),
				"wrong checksum":           flip(&p.BadCRC),
				"all zeros":                flip(&p.AllZero),
				"85.000, never converts":   {func() { p.powered, p.NoConvert = false, true }, func() { p.NoConvert = false }},
				"127.94, too little power": flip(&p.LowPower),
				"bus shorted":              flip(&b.one.Short),
				"supply lost for a moment": {func() { p.powered = false }, nil},
			}
		}},
		{"DS18B20, own bus, supply line", 24.8125, func(b *bench) (*sensor.Driver, map[string]injury) {
			p := b.probe(probeID, 24.8125)
			b.pin("GPIO5", func(high bool) { p.Absent = p.Absent && high })
			return b.open(&sensor.DS18B20{ID: probeID, Power: "GPIO5"}, sensor.Temperature), map[string]injury{
				"hangs until its supply is cut": {func() { p.Absent = true }, nil},
			}
		}},
		{"VL53L1X", 182, func(b *bench) (*sensor.Driver, map[string]injury) {
			c := fakeLong(182)
			b.bus.chips = []*fakeChip{c}
			return b.open(&sensor.VL53L1X{}, sensor.Distance), map[string]injury{
				"does not answer (NAK)":      flip(&c.Nak),
				"another chip at its place":  {func() { c.Other = true; c.brownOut() }, func() { c.Other = false }},
				"finishes no ranging":        flip(&c.Hang),
				"repeats one result":         flip(&c.Stuck),
				"supply lost for a moment":   {c.brownOut, nil},
				"does not start after that":  {func() { c.NoBoot = true; c.brownOut() }, func() { c.NoBoot = false }},
				"status: sigma":              code(c, 6),
				"status: no target":          code(c, 4),
				"status: phase":              code(c, 5),
				"status: wrapped target":     code(c, 7),
				"status: hardware":           code(c, 3),
				"garbage of 24 mm, status 0": {func() { c.mm = 24 }, func() { c.mm = 182 }},
			}
		}},
		{"VL53L1X, shutdown line", 182, func(b *bench) (*sensor.Driver, map[string]injury) {
			c := fakeLong(182)
			b.bus.chips = []*fakeChip{c}
			b.pin("GPIO17", func(high bool) { c.Hang = c.Hang && high; c.shut(high) })
			return b.open(&sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"}, sensor.Distance), map[string]injury{
				"hangs until it is reset":                {func() { c.Hang = true }, nil},
				"supply lost: back at its first address": {c.brownOut, nil},
			}
		}},
		{"VL53L1X, multiplexer", 182, func(b *bench) (*sensor.Driver, map[string]injury) {
			b.bus.mux, b.bus.chips = 0x70, []*fakeChip{fakeLong(182).at(3)}
			return b.open(&sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 3}}, sensor.Distance), map[string]injury{
				"multiplexer forgets its port": {func() { b.bus.open = 0 }, nil},
				"multiplexer does not answer":  {func() { b.bus.mux, b.bus.open = 0, 0 }, func() { b.bus.mux = 0x70 }},
			}
		}},
		{"VL6180X", 64, func(b *bench) (*sensor.Driver, map[string]injury) {
			c := fakeShort(64)
			b.bus.chips = []*fakeChip{c}
			return b.open(&sensor.VL6180X{}, sensor.Distance), map[string]injury{
				"does not answer (NAK)":     flip(&c.Nak),
				"another chip at its place": flip(&c.Other),
				"finishes no ranging":       flip(&c.Hang),
				"code 7, no target":         code(c, 7),
				"code 11, too bright":       code(c, 11),
				"code 1, emitter":           code(c, 1),
				"code 15, beyond its range": code(c, 15),
				"slow: 2 s for one ranging": {func() { c.takes = 2 * time.Second }, func() { c.takes = 20 * time.Millisecond }},
				"supply lost for a moment":  {c.brownOut, nil},
			}
		}},
		{"BME280, humidity", 0, func(b *bench) (*sensor.Driver, map[string]injury) {
			c := fakeAir(0x76)
			b.bus.chips = []*fakeChip{c}
			return b.open(&sensor.BME280{}, sensor.Humidity), map[string]injury{
				"does not answer (NAK)":    flip(&c.Nak),
				"never ends a measurement": flip(&c.Hang),
				"supply lost for a moment": {c.brownOut, nil},
			}
		}},
		{"HC-SR04", 150, func(b *bench) (*sensor.Driver, map[string]injury) {
			b.pair = &fakePair{mm: 150, speedMPS: 345}
			h, odd := b.pair, 0
			return b.open(&sensor.HCSR04{Trigger: new(23), Echo: new(24), Sound: sensor.Sound{AirC: 21.5}}, sensor.Distance), map[string]injury{
				"no answer to the trigger":   flip(&h.Dead),
				"no echo (pulse of 38 ms)":   flip(&h.NoEcho),
				"echo line stays high":       flip(&h.StuckHigh),
				"edges out of order":         flip(&h.Swapped),
				"lines taken away":           flip(&h.Broken),
				"half the pings see the rim": {func() { h.noise = func() float64 { odd++; return -90 * float64(odd%2) } }, func() { h.noise = nil }},
			}
		}},
		{"HC-SR04, kernel files", 150, func(b *bench) (*sensor.Driver, map[string]injury) {
			const dir = "bus/iio/devices/iio:device1/"
			heal := func() { b.putIIO(dir, "srf04", "150") }
			heal()
			return b.open(&sensor.SRF04{Sound: sensor.Sound{AirC: 20}}, sensor.Distance), map[string]injury{
				"no echo: the kernel's read fails": {func() { b.drop(dir + "in_distance_raw"); b.put(dir+"in_distance_raw/x", "") }, func() { b.drop(dir + "in_distance_raw"); heal() }},
				"device vanishes":                  {func() { b.drop(dir) }, heal},
				"empty file":                       {func() { b.put(dir+"in_distance_raw", "") }, heal},
				"10 mm, nearer than it can see":    {func() { b.put(dir+"in_distance_raw", "10") }, heal},
			}
		}},
		{"serial head", 187, func(b *bench) (*sensor.Driver, map[string]injury) {
			b.head = &fakeHead{mm: 187}
			h := b.head
			return b.open(&sensor.Serial{Device: "/dev/serial0"}, sensor.Distance), map[string]injury{
				"silent":           flip(&h.Silent),
				"wrong sums":       flip(&h.BadSum),
				"unplugged":        flip(&h.Gone),
				"nothing in range": {func() { h.mm = 0 }, func() { h.mm = 187 }},
			}
		}},
	}
}

// code lets a chip give its own code with each result.
func code(c *fakeChip, v byte) injury { return injury{func() { c.code = v }, func() { c.code = 0 }} }
