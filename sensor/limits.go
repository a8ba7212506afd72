package sensor

import (
	"cmp"
	"math"
	"slices"
	"strings"
)

// Limits bound and correct a distance.
type Limits struct {
	MinMM    float64 `yaml:"min_mm,omitempty" is:"0 to 10000"`     // nearer is refused; 0 = by the sensor
	MaxMM    float64 `yaml:"max_mm,omitempty" is:"0 to 10000"`     // farther is refused; 0 = by the sensor
	OffsetMM float64 `yaml:"offset_mm,omitempty" is:"-500 to 500"` // added to each distance, -500 to 500
}

// within returns what a sensor can see, less what the limits take off it.
func (l Limits) within(r Reach) Reach {
	return Reach{cmp.Or(l.MinMM, r.MinMM), cmp.Or(l.MaxMM, r.MaxMM), r.ConeDeg}
}

// Apply returns a distance in mm with the offset. It refuses one outside the
// limits; where one of them is 0 that of reach is taken. The error is a
// *FaultError.
func (l Limits) Apply(mm float64, reach Reach) (float64, error) {
	reach = l.within(reach)
	switch {
	case mm < reach.MinMM:
		return 0, Fault(OutOfRange, "limits.near", "mm", mm, "least", reach.MinMM)
	case !(mm <= reach.MaxMM):
		return 0, Fault(OutOfRange, "limits.far", "mm", mm, "most", reach.MaxMM)
	}
	return mm + l.OffsetMM, nil
}

// Reach is what a distance sensor can see.
type Reach struct {
	MinMM, MaxMM float64 // nearest and farthest distance that can be believed
	ConeDeg      float64 // full angle of its field of view, degrees; 0 when not known
}

// ReachOf returns what a distance sensor can see, within its configured limits.
//
// Sources: VL53L1X datasheet DocID031281 (27 degrees; 15 degrees for 4 by 4
// receivers and 40 mm as the nearest distance: from memory); VL6180X datasheet
// DocID026171 (0 to 100 mm, more not guaranteed; 25 degrees from memory); VL53L0X
// datasheet DocID029104 (25 degrees) and a remark in its kernel driver (30 to
// 1200 mm); HC-SR04 user guide (2 to 400 cm, 15 degrees).
func ReachOf(c Config) Reach {
	switch c := c.(type) {
	case *VL53L1X:
		return c.within(Reach{40, 1300, 15 + (27-15)*float64(cmp.Or(c.ROI, 16)-4)/12})
	case *VL6180X:
		return c.within(ChipReach("vl6180"))
	case *HCSR04:
		return c.within(ChipReach("srf04"))
	case *SRF04:
		return c.within(ChipReach("srf04"))
	case *Serial:
		return c.within(Reach{30, 4500, 0})
	case *IIO:
		return c.within(ChipReach(c.Name))
	case *MQTT:
		return c.within(ChipReach(""))
	}
	return ChipReach("")
}

// ChipReach returns the Reach of a chip by the name that the kernel gives it.
func ChipReach(name string) Reach {
	switch {
	case strings.HasPrefix(name, "vl53l0x"):
		return Reach{30, 1200, 25}
	case strings.HasPrefix(name, "vl6180"):
		return Reach{5, 200, 25}
	case strings.HasPrefix(name, "srf04"):
		return Reach{20, 4000, 15}
	}
	return Reach{MinMM: 5, MaxMM: 4000}
}

// Summary sums up repeated measurements of one thing: their median, the spread
// of a single one (scaled median deviation, about a standard deviation) and the
// standard deviation of the median. The step between two possible values is the
// least doubt. All are NaN for no values; values keep their order.
func Summary(values []float64, step float64) (med, spread, sd float64) {
	med = median(values)
	off := make([]float64, len(values))
	for i, v := range values {
		off[i] = math.Abs(v - med)
	}
	const normal, efficiency = 1.4826, 1.2533 // median deviation to standard deviation; median against mean: normal noise
	spread = normal * median(off)
	return med, spread, efficiency * math.Max(spread, step/math.Sqrt(12)) / math.Sqrt(float64(len(values)))
}

// median returns the median of values, NaN for none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
