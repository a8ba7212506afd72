package sensor

import "strings"

// Reach is what a distance sensor can see.
type Reach struct {
	MinMM, MaxMM float64 // nearest and farthest distance that can be believed
	ConeDeg      float64 // full angle of its field of view, degrees; 0 when not known
}

// Reach gives what the sensor of a Spec can see, limits of the Spec excepted.
//
// Sources: VL53L1X datasheet DocID031281 (27 degrees; 15 degrees for 4 by 4
// receivers and 40 mm as the nearest distance: from memory); VL6180X datasheet
// DocID026171 (0 to 100 mm, more not guaranteed; 25 degrees from memory); VL53L0X
// datasheet DocID029104 (25 degrees) and a remark in its kernel driver (30 to
// 1200 mm); HC-SR04 user guide (2 to 400 cm, 15 degrees).
func (s Spec) Reach() Reach {
	switch s.Kind {
	case KindVL53L1X:
		return Reach{40, 1300, roiCone(s.ROI)}
	case KindVL6180X:
		return Reach{5, 200, 25}
	case KindHCSR04, KindSRF04:
		return Reach{20, 4000, 15}
	case KindSerial:
		return Reach{30, 4500, 0}
	case KindIIO:
		return ChipReach(s.Name)
	default:
		return Reach{MinMM: 5, MaxMM: 4000}
	}
}

// ChipReach is the Reach of a chip by the name that the kernel gives it.
func ChipReach(name string) Reach {
	switch {
	case strings.HasPrefix(name, "vl53l0x"):
		return Reach{30, 1200, 25}
	case strings.HasPrefix(name, "vl6180"):
		return Reach{5, 200, 25}
	case strings.HasPrefix(name, "srf04"):
		return Reach{20, 4000, 15}
	default:
		return Reach{MinMM: 5, MaxMM: 4000}
	}
}

// roiCone is the field of view in degrees of a VL53L1X that uses n by n of its
// receivers; 0 means all 16.
func roiCone(n int) float64 {
	if n == 0 {
		n = 16
	}
	return 15 + (27-15)*float64(n-4)/12
}
