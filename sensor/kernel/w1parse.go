package kernel

import (
	"encoding/hex"
	"math"
	"strconv"
	"strings"

	"tidemark/sensor"
)

// ParseW1 reads the two lines of a w1_slave file and gives the temperature in
// Celsius. family is the two hex digits that the probe's id begins with.
//
// The first line decides: on NO the temperature of the second line comes from
// damaged bytes and is refused. The case of YES and NO does not matter. The
// error tells what was expected and found.
func ParseW1(s, family string) (float64, error) {
	first, second, ok := strings.Cut(s, "\n")
	if !ok {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has one line, expected two: %.60q", s)
	}
	pad, verdict, err := w1FirstLine(first)
	if err != nil {
		return 0, err
	}
	if strings.EqualFold(verdict, "no") {
		return 0, crcFault(pad)
	}
	if !strings.EqualFold(verdict, "yes") {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave ends its first line with %.20q, expected YES or NO", verdict)
	}
	celsius, err := w1SecondLine(second)
	if err != nil {
		return 0, err
	}
	if family != "28" {
		return celsius, sensor.CheckProbeC(celsius)
	}
	return agree(pad, celsius)
}

// agree checks the scratchpad of a DS18B20 and that the kernel's number follows
// from it.
func agree(pad [9]byte, celsius float64) (float64, error) {
	own, err := sensor.ScratchpadC(pad)
	if err != nil {
		return 0, err
	}
	if math.Abs(own-celsius) > 0.5 {
		return 0, sensor.Faultf(sensor.BadData, "the kernel gives %.3f C but the probe's bytes mean %.3f C", celsius, own)
	}
	return celsius, nil
}

// crcFault words a failed checksum; nine FF bytes mean that nothing answered.
func crcFault(pad [9]byte) error {
	if sensor.AllBytes(pad, 0xff) {
		return sensor.Faultf(sensor.Missing, "the probe does not answer (all ones, which would read as -0.0625 C); check its wiring")
	}
	return sensor.Faultf(sensor.BadData, "checksum of the probe's answer is wrong; the value was thrown away")
}

// w1FirstLine splits "xx xx xx xx xx xx xx xx xx : crc=xx YES".
func w1FirstLine(line string) (pad [9]byte, verdict string, err error) {
	f := strings.Fields(line)
	if len(f) != 12 || f[9] != ":" || !strings.HasPrefix(f[10], "crc=") {
		return pad, "", sensor.Faultf(sensor.BadData, "w1_slave begins with %.60q, expected nine bytes, the checksum and YES or NO", line)
	}
	for i := range pad {
		b, err := hex.DecodeString(f[i])
		if err != nil || len(b) != 1 {
			return pad, "", sensor.Faultf(sensor.BadData, "w1_slave has %.10q where a byte was expected", f[i])
		}
		pad[i] = b[0]
	}
	return pad, f[11], nil
}

// w1SecondLine takes the thousandths of a degree from "... t=25062".
func w1SecondLine(line string) (float64, error) {
	_, t, ok := strings.Cut(line, "t=")
	if !ok {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has no t= in its second line: %.60q", line)
	}
	milli, err := strconv.ParseInt(strings.TrimSpace(t), 10, 32)
	if err != nil {
		return 0, sensor.Faultf(sensor.BadData, "w1_slave has t=%.20q, expected thousandths of a degree", t)
	}
	return float64(milli) / 1000, nil
}
