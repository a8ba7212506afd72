package source

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	hexa "encoding/hex"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds18b20"

	"tidemark/sensor"
)

// newW1 reads a probe through the kernel's w1_slave file below root, where sysfs is
// mounted. The kernel does a conversion for each reading, which takes up to 750 ms for
// each probe at 12 bits.
func newW1(root string, conf sensor.W1) *sensor.Driver {
	var guard powerOnGuard
	return file(func() (float64, error) {
		id, err := oneProbe(conf.ID, W1Probes(root), sensor.Fault(sensor.Missing, "w1.none", "root", root))
		if err != nil {
			return 0, err
		}
		dir := filepath.Join(root, "bus/w1/devices", id)
		s, err := content(dir, "w1_slave")
		if missing(err) {
			return 0, sensor.Fault(sensor.Missing, "w1.gone", "id", id, "path", dir)
		}
		if err != nil {
			return 0, err
		}
		celsius, err := parseW1(s, id[:2])
		return guard.check(celsius, conf.OffsetC, err)
	})
}

// oneProbe returns the id that is configured, or the only one found; none is the error
// when there is none.
func oneProbe(configured string, found []string, none error) (string, error) {
	switch {
	case configured != "":
		return configured, nil
	case len(found) == 0:
		return "", none
	case len(found) > 1:
		return "", sensor.Fault(sensor.Missing, "probe.several", "n", len(found), "ids", strings.Join(found, ", "))
	}
	return found[0], nil
}

// W1Probes returns the ids of the thermometers that the kernel sees: DS18B20,
// DS18S20, DS1822, DS1825 and DS28EA00 (kernel w1_therm documentation).
func W1Probes(root string) []string {
	var found []string
	for _, family := range []string{"28", "10", "22", "3b", "42"} {
		paths, _ := filepath.Glob(filepath.Join(root, "bus/w1/devices", family+"-*")) // only a malformed pattern errs
		for _, p := range paths {
			found = append(found, filepath.Base(p))
		}
	}
	return found
}

// parseW1 reads the two lines of a w1_slave file and returns the temperature in
// Celsius. family is the two hex digits that the probe's id begins with.
//
// The first line decides: on NO the temperature of the second line comes from
// damaged bytes and is refused. The case of YES and NO does not matter. The
// error tells what was expected and found.
func parseW1(s, family string) (float64, error) {
	odd := sensor.Fault(sensor.BadData, "w1.form", "text", s)
	first, second, _ := strings.Cut(s, "\n")
	f := strings.Fields(first)
	if len(f) != 12 || f[9] != ":" || !strings.HasPrefix(f[10], "crc=") {
		return 0, odd
	}
	var pad [9]byte
	if b, err := hexa.DecodeString(strings.Join(f[:9], "")); err != nil || len(b) != copy(pad[:], b) || len(b) != len(pad) {
		return 0, odd
	}
	switch verdict := f[11]; {
	case strings.EqualFold(verdict, "no") && bytes.Count(pad[:], []byte{0xff}) == len(pad):
		return 0, sensor.Fault(sensor.Missing, "probe.ones")
	case strings.EqualFold(verdict, "no"):
		return 0, sensor.Fault(sensor.BadData, "probe.checksum")
	case !strings.EqualFold(verdict, "yes"):
		return 0, odd
	}
	_, t, _ := strings.Cut(second, "t=")
	milli, err := strconv.ParseInt(strings.TrimSpace(t), 10, 32)
	if err != nil {
		return 0, odd
	}
	kernel := float64(milli) / 1000
	if family != "28" {
		return kernel, checkProbeC(kernel)
	}
	own, err := scratchpadC(pad)
	if err == nil && math.Abs(own-kernel) > 0.5 {
		err = sensor.Fault(sensor.BadData, "w1.disagree", "kernel_fine_c", kernel, "probe_fine_c", own)
	}
	return kernel, err
}

// scratchpadC returns the temperature in Celsius that the nine bytes of a DS18B20
// mean. It refuses a wrong checksum, all zeros (whose checksum is right), an impossible
// configuration byte and a value out of the probe's range.
func scratchpadC(pad [9]byte) (float64, error) {
	switch {
	case bytes.Count(pad[:], []byte{0xff}) == len(pad):
		return 0, sensor.Fault(sensor.Missing, "probe.ones")
	case pad == [9]byte{}:
		return 0, sensor.Fault(sensor.BadData, "probe.zeros")
	case !onewire.CheckCRC(pad[:]):
		return 0, sensor.Fault(sensor.BadData, "probe.checksum")
	case pad[4]&0x9f != 0x1f:
		return 0, sensor.Fault(sensor.BadData, "probe.config", "byte", fmt.Sprintf("0x%02x", pad[4]))
	}
	raw := int16(uint16(pad[1])<<8 | uint16(pad[0]))
	undefined := int16(1)<<(3-(pad[4]>>5&3)) - 1 // low bits that mean nothing below 12 bits
	c := float64(raw&^undefined) / 16
	return c, checkProbeC(c)
}

// checkProbeC refuses what a DS18B20 cannot measure: outside -55 to 125 C, and
// with its own words the 127.94 C of a probe without enough power.
func checkProbeC(c float64) error {
	if math.Abs(c-127.9375) < 0.01 {
		return sensor.Fault(sensor.PowerOn, "probe.power", "measured_fine_c", 127.94)
	}
	_, err := celsius(c, 0, -55, 125)
	return err
}

// powerOnGuard catches the 85.000 C that a 1-wire thermometer holds after power-on.
type powerOnGuard struct {
	lastC  float64
	lastAt time.Time // zero: none yet
}

// check returns the temperature in Celsius that was measured just now, with offsetC
// added, or the error err. Exactly 85.000 is refused unless the last value taken, not
// older than a minute, was within 3 C of it, so that a probe that really is that hot
// goes on being read.
func (g *powerOnGuard) check(c, offsetC float64, err error) (float64, error) {
	if err != nil {
		return 0, err
	}
	if c == 85 && (time.Since(g.lastAt) > time.Minute || math.Abs(g.lastC-85) > 3) {
		return 0, sensor.Fault(sensor.PowerOn, "probe.power_on", "measured_fine_c", 85.0)
	}
	g.lastC, g.lastAt = c, time.Now()
	return c + offsetC, nil
}

// probe is a DS18B20 on a 1-wire bus that this program drives. It is the bus that the
// library's driver sees, and keeps the last scratchpad, because the checks of the driver
// miss the power-on value and a scratchpad of zeros.
type probe struct {
	onewire.Bus
	conf sensor.DS18B20
	dev  *ds18b20.Dev
	pad  [9]byte
	got  bool // pad is of the last measurement
}

// newDS18B20 reads the probe of the configured id, or the only one on the bus. A
// conversion takes 0.75 s.
func newDS18B20(buses *Buses, conf sensor.DS18B20) *sensor.Driver {
	p := &probe{conf: conf}
	var guard powerOnGuard
	return &sensor.Driver{Open: func(context.Context) error { return p.open(buses) },
		Measure: func(context.Context) (value, sd float64, err error) {
			p.got = false
			value, err = p.judge(p.dev.Sense(&physic.Env{}))
			value, err = guard.check(value, conf.OffsetC, err)
			return value, 0, err
		}}
}

// Tx does a transfer.
func (p *probe) Tx(w, r []byte, power onewire.Pullup) error {
	err := p.Bus.Tx(w, r, power)
	if err == nil && len(r) == len(p.pad) {
		copy(p.pad[:], r)
		p.got = true
	}
	return err
}

// open finds the probe and sets it up.
func (p *probe) open(buses *Buses) (err error) {
	p.got = false
	if p.Bus, err = shared(buses, "1-wire "+p.conf.Bus, func() (onewire.BusCloser, error) { return buses.openOneWire(p.conf.Bus) }); err != nil {
		return err
	}
	addr, err := p.find()
	if err != nil {
		return err
	}
	if p.dev, err = ds18b20.New(p, addr, 12); err != nil {
		_, own := p.judge(err)
		err = cmp.Or(own, sensor.Fault(sensor.ReadFailed, "probe.setup", "error", err))
	}
	return err
}

// judge makes the temperature of the scratchpad read last, or a fault of what the
// driver met.
func (p *probe) judge(err error) (float64, error) {
	var none onewire.NoDevicesError
	var short onewire.ShortedBusError
	switch {
	case p.got:
		return scratchpadC(p.pad)
	case errors.As(err, &none) && none.NoDevices():
		return 0, sensor.Fault(sensor.Missing, "onewire.silent")
	case errors.As(err, &short) && short.IsShorted():
		return 0, sensor.Fault(sensor.ReadFailed, "onewire.short")
	default:
		return 0, sensor.Fault(sensor.ReadFailed, "onewire.unread", "error", err)
	}
}

// find returns the bus address of the probe.
func (p *probe) find() (onewire.Address, error) {
	var ids []string
	if p.conf.ID == "" {
		all, err := p.Search(false)
		if err != nil {
			_, err = p.judge(err)
			return 0, err
		}
		all = slices.DeleteFunc(all, func(a onewire.Address) bool { return byte(a) != byte(ds18b20.DS18B20) })
		for _, a := range all { // as the kernel writes them: the family, and the serial number in twelve hex digits
			ids = append(ids, fmt.Sprintf("%02x-%012x", byte(a), uint64(a)>>8&(1<<48-1)))
		}
	}
	id, err := oneProbe(p.conf.ID, ids, sensor.Fault(sensor.Missing, "onewire.silent"))
	if err != nil {
		return 0, err
	}
	return address(id)
}

// address returns the bus address of an id, with the checksum that belongs to it.
func address(id string) (onewire.Address, error) {
	family, serial, ok := strings.Cut(id, "-")
	f, err1 := strconv.ParseUint(family, 16, 8)
	n, err2 := strconv.ParseUint(serial, 16, 48)
	if !ok || err1 != nil || err2 != nil || len(serial) != 12 {
		return 0, sensor.Fault(sensor.Missing, "probe.id", "id", id)
	}
	a := f | n<<8
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], a)
	return onewire.Address(a | uint64(onewire.CalcCRC(b[:7]))<<56), nil
}
