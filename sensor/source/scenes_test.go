package source_test

import (
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/serial"
)

// scenes lists the sensors and their faults.
func scenes() []scene {
	return []scene{
		{"DS18B20, kernel files", 25.062, w1Scene}, {"DS18B20, kernel files, supply line", 25.062, poweredW1Scene},
		{"VL53L0X, kernel files", 187, iioScene}, {"air chip, kernel files", 21.5, hwmonScene},
		{"DS18B20, own bus", 24.8125, probeScene}, {"DS18B20, own bus, supply line", 24.8125, poweredProbeScene},
		{"VL53L1X", 182, vl53l1xScene}, {"VL53L1X, shutdown line", 182, shutScene}, {"VL53L1X, multiplexer", 182, muxScene},
		{"VL6180X", 64, vl6180xScene}, {"BME280, humidity", 0, bme280Scene},
		{"HC-SR04", 150, hcsr04Scene}, {"HC-SR04, kernel files", 150, srf04Scene}, {"serial head", 187, serialScene},
	}
}

func w1Scene(s *stage) (sensor.Source, map[string]injury) {
	const dir, good = "bus/w1/devices/28-0123456789ab", "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	file := dir + "/w1_slave"
	heal := func() { s.put(file, good) }
	heal()
	say := func(text string) injury { return injury{func() { s.put(file, text) }, heal} }
	return s.open(&sensor.W1{ID: "28-0123456789ab"}, sensor.Temperature), map[string]injury{
		"folder vanishes":             {func() { s.drop(dir) }, heal},
		"empty file":                  say(""),
		"checksum NO, stale bytes":    say("92 01 4b 46 7f ff 0f 10 25 : crc=e0 NO\n91 01 4b 46 7f ff 0f 10 25 t=25125\n"),
		"85.000 after power-on":       say("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"),
		"all ones (-0.0625)":          say("ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n"),
		"all zeros":                   say("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"),
		"127.94, too little power":    say("ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937\n"),
		"the kernel reports an error": {func() { s.drop(file); s.put(file+"/x", "") }, func() { s.drop(file); heal() }},
	}
}

// poweredW1Scene is a probe that vanishes until its supply was cut.
func poweredW1Scene(s *stage) (sensor.Source, map[string]injury) {
	const dir, good = "bus/w1/devices/28-0123456789ab", "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
	s.put(dir+"/w1_slave", good)
	s.pins["GPIO22"] = sensortest.NewPin(func(high bool) {
		if high {
			s.put(dir+"/w1_slave", good)
		}
	})
	return s.open(&sensor.W1{ID: "28-0123456789ab", Power: "GPIO22"}, sensor.Temperature), map[string]injury{
		"vanishes until its supply is cut": {func() { s.drop(dir) }, nil},
	}
}

func hwmonScene(s *stage) (sensor.Source, map[string]injury) {
	const dir = "class/hwmon/hwmon2/"
	heal := func() {
		s.put(dir+"name", "sht3x")
		s.put(dir+"temp1_input", "21500")
		s.drop(dir + "temp1_fault")
	}
	heal()
	return s.open(&sensor.Hwmon{Name: "sht3x"}, sensor.Temperature), map[string]injury{
		"device vanishes":            {func() { s.drop(dir) }, heal},
		"empty file":                 {func() { s.put(dir+"temp1_input", "") }, heal},
		"no number":                  {func() { s.put(dir+"temp1_input", "warm") }, heal},
		"beyond what air can be":     {func() { s.put(dir+"temp1_input", "850000") }, heal},
		"the chip reports its fault": {func() { s.put(dir+"temp1_fault", "1") }, heal},
	}
}

func srf04Scene(s *stage) (sensor.Source, map[string]injury) {
	const dir = "bus/iio/devices/iio:device1/"
	heal := func() { s.putIIO(dir, "srf04", "150") }
	heal()
	return s.open(&sensor.SRF04{Sound: sensor.Sound{AirC: 20}}, sensor.Distance), map[string]injury{
		"no echo: the kernel's read fails": {func() { s.drop(dir + "in_distance_raw"); s.put(dir+"in_distance_raw/x", "") }, func() { s.drop(dir + "in_distance_raw"); heal() }},
		"device vanishes":                  {func() { s.drop(dir) }, heal},
		"empty file":                       {func() { s.put(dir+"in_distance_raw", "") }, heal},
		"10 mm, nearer than it can see":    {func() { s.put(dir+"in_distance_raw", "10") }, heal},
	}
}

func iioScene(s *stage) (sensor.Source, map[string]injury) {
	const dir = "bus/iio/devices/iio:device0/"
	heal := func() { s.putIIO(dir, "vl53l0x", "187") }
	heal()
	say := func(raw string) injury { return injury{func() { s.put(dir+"in_distance_raw", raw) }, heal} }
	return s.open(&sensor.IIO{Name: "vl53l0x"}, sensor.Distance), map[string]injury{
		"8190, nothing in range":  say("8190"),
		"garbage of 24 mm":        say("24"),
		"empty file":              say(""),
		"device vanishes":         {func() { s.drop(dir) }, heal},
		"renumbered after replug": {func() { s.drop(dir); s.moveIIO() }, nil},
		"no number":               say("--"),
	}
}

// moveIIO puts the device back under another number.
func (s *stage) moveIIO() { s.putIIO("bus/iio/devices/iio:device4/", "vl53l0x", "187") }

// putIIO lays out a distance sensor of the kernel's industrial I/O.
func (s *stage) putIIO(dir, name, raw string) {
	s.put(dir+"name", name)
	s.put(dir+"in_distance_raw", raw)
	s.put(dir+"in_distance_scale", "0.001")
}

// addProbe puts a probe on the 1-wire bus.
func (s *stage) addProbe() *sensortest.DS18B20 {
	addr, err := chip.ParseID("28-0123456789ab")
	require.NoError(s.t, err)
	p := &sensortest.DS18B20{Addr: addr, Celsius: 24.8125}
	s.one.Probes = append(s.one.Probes, p)
	return p
}

func probeScene(s *stage) (sensor.Source, map[string]injury) {
	p := s.addProbe()
	return s.open(&sensor.DS18B20{ID: "28-0123456789ab"}, sensor.Temperature), map[string]injury{
		"does not answer":          flip(&p.Absent),
		"wrong checksum":           flip(&p.BadCRC),
		"all zeros":                flip(&p.AllZero),
		"85.000, never converts":   {func() { p.BrownOut(); p.NoConvert = true }, func() { p.NoConvert = false }},
		"127.94, too little power": flip(&p.LowPower),
		"bus shorted":              flip(&s.one.Short),
		"supply lost for a moment": {p.BrownOut, nil},
	}
}

func poweredProbeScene(s *stage) (sensor.Source, map[string]injury) {
	p := s.addProbe()
	s.pins["GPIO5"] = sensortest.NewPin(func(high bool) { p.Absent = p.Absent && high })
	return s.open(&sensor.DS18B20{ID: "28-0123456789ab", Power: "GPIO5"}, sensor.Temperature), map[string]injury{
		"hangs until its supply is cut": {func() { p.Absent = true }, nil},
	}
}

func vl53l1xScene(s *stage) (sensor.Source, map[string]injury) {
	c := sensortest.NewVL53L1X(182)
	s.bus.Add(c)
	code := func(v byte) injury { return injury{func() { c.Code = v }, func() { c.Code = 0 }} }
	return s.open(&sensor.VL53L1X{}, sensor.Distance), map[string]injury{
		"does not answer (NAK)":      flip(&c.Nak),
		"another chip at its place":  {func() { c.WrongID = true; c.BrownOut() }, func() { c.WrongID = false }},
		"finishes no ranging":        flip(&c.Hang),
		"repeats one result":         flip(&c.Stuck),
		"supply lost for a moment":   {c.BrownOut, nil},
		"does not start after that":  {func() { c.NoBoot = true; c.BrownOut() }, func() { c.NoBoot = false }},
		"status: sigma":              code(6),
		"status: no target":          code(4),
		"status: phase":              code(5),
		"status: wrapped target":     code(7),
		"status: hardware":           code(3),
		"garbage of 24 mm, status 0": {func() { c.DistanceMM = 24 }, func() { c.DistanceMM = 182 }},
	}
}

func shutScene(s *stage) (sensor.Source, map[string]injury) {
	c := sensortest.NewVL53L1X(182)
	s.bus.Add(c)
	s.pins["GPIO17"] = sensortest.NewPin(func(high bool) {
		c.Hang = c.Hang && high
		c.Shut(high)
	})
	return s.open(&sensor.VL53L1X{I2C: sensor.I2C{Address: 0x30}, XShut: "GPIO17"}, sensor.Distance), map[string]injury{
		"hangs until it is reset":                {func() { c.Hang = true }, nil},
		"supply lost: back at its first address": {c.BrownOut, nil},
	}
}

func muxScene(s *stage) (sensor.Source, map[string]injury) {
	c, m := sensortest.NewVL53L1X(182), &sensortest.Mux{Addr: 0x70}
	m.Ports[3] = []sensortest.Device{c}
	s.bus.AddMux(m)
	return s.open(&sensor.VL53L1X{I2C: sensor.I2C{Mux: 0x70, Port: 3}}, sensor.Distance), map[string]injury{
		"multiplexer forgets its port": {m.BrownOut, nil},
		"multiplexer does not answer":  {func() { m.Dead = true; m.BrownOut() }, func() { m.Dead = false }},
	}
}

func vl6180xScene(s *stage) (sensor.Source, map[string]injury) {
	c := sensortest.NewVL6180X(64)
	s.bus.Add(c)
	code := func(v byte) injury { return injury{func() { c.Code = v }, func() { c.Code = 0 }} }
	return s.open(&sensor.VL6180X{}, sensor.Distance), map[string]injury{
		"does not answer (NAK)":     flip(&c.Nak),
		"another chip at its place": flip(&c.WrongID),
		"finishes no ranging":       flip(&c.Hang),
		"code 7, no target":         code(7),
		"code 11, too bright":       code(11),
		"code 1, emitter":           code(1),
		"code 15, beyond its range": code(15),
		"slow: 2 s for one ranging": {func() { c.Takes = 2 * time.Second }, func() { c.Takes = 0 }},
		"supply lost for a moment":  {c.BrownOut, nil},
	}
}

func bme280Scene(s *stage) (sensor.Source, map[string]injury) {
	c := sensortest.NewBME280(0x76)
	s.bus.Add(c)
	return s.open(&sensor.BME280{}, sensor.Humidity), map[string]injury{
		"does not answer (NAK)":    flip(&c.Nak),
		"never ends a measurement": flip(&c.Busy),
		"supply lost for a moment": {c.BrownOut, nil},
	}
}

func hcsr04Scene(s *stage) (sensor.Source, map[string]injury) {
	h := &sensortest.HCSR04{DistanceMM: 150, SpeedMPS: 345}
	odd := 0
	pair := chip.NewHCSR04(func() (chip.Lines, error) { return h, nil }, sensor.HCSR04{Sound: sensor.Sound{AirC: 21.5}}, nil)
	return pair, map[string]injury{
		"no answer to the trigger":   flip(&h.Dead),
		"no echo (pulse of 38 ms)":   flip(&h.NoEcho),
		"echo line stays high":       flip(&h.StuckHigh),
		"edges out of order":         flip(&h.Swapped),
		"lines taken away":           flip(&h.Broken),
		"half the pings see the rim": {func() { h.Noise = func() float64 { odd++; return -90 * float64(odd%2) } }, func() { h.Noise = nil }},
	}
}

func serialScene(s *stage) (sensor.Source, map[string]injury) {
	h := &sensortest.SerialHead{MM: 187}
	return serial.NewHead(h.Open, sensor.Serial{}, nil), map[string]injury{
		"silent":           flip(&h.Silent),
		"wrong sums":       flip(&h.BadSum),
		"unplugged":        flip(&h.Gone),
		"nothing in range": {func() { h.MM = 0 }, func() { h.MM = 187 }},
	}
}
