package survey

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/sensor"
)

// Inside is what is known of a vessel's inside.
type Inside struct {
	TopMM   float64                        // height of the rim above the floor; 0 = not known
	WidthMM func(heightMM float64) float64 // narrowest width at a height; nil = not known
}

// Level is a distance measured over a while.
type Level struct {
	MM       float64 // median
	SpreadMM float64 // of a single reading
	SDMM     float64 // of MM
	Usable   int     // readings
	Missed   int     // readings that failed
}

// Measure reads a distance sensor for a length of time, once a second, or ten times
// when that is shorter than ten seconds, and returns the level.
func Measure(ctx context.Context, src sensor.Source, length time.Duration) (Level, error) {
	var readings []sensor.Reading
	limited, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	sensor.Poll(limited, []sensor.Job{{Source: src, Quantity: sensor.Distance, Every: min(time.Second, length/10), Timeout: min(length, 5*time.Second),
		Deliver: func(r sensor.Reading) { readings = append(readings, r) }}})
	if ctx.Err() != nil {
		return Level{}, ctx.Err()
	}
	return LevelOf(readings)
}

// LevelOf returns the level that the readings of a while show. The error says why they
// show none that can be trusted.
func LevelOf(readings []sensor.Reading) (Level, error) {
	var r Result
	for _, x := range readings {
		r.add(x)
	}
	l := Level{Usable: r.Usable, Missed: r.Readings - r.Usable}
	l.MM, l.SpreadMM, l.SDMM = sensor.Summary(r.values, 1)
	switch {
	case r.Readings == 0:
		return l, sensor.Fault(sensor.Missing, "check.silent")
	case l.Usable == 0:
		return l, sensor.Fault(r.Status, "level.none", "why", r.last)
	case l.Missed > l.Usable:
		return l, r.missed()
	case l.SpreadMM > shakyMM:
		return l, sensor.Fault(sensor.Unreliable, "level.shaky", "spread_tenth", l.SpreadMM)
	}
	return l, nil
}

// spotMM is the width of what a sensor sees at a distance, from the full angle of
// its field of view: 2 d tan(angle/2).
func spotMM(distanceMM, coneDeg float64) float64 {
	return 2 * distanceMM * math.Tan(coneDeg/2*math.Pi/180)
}

// remarks says what is wrong with how a sensor sits over a vessel whose empty
// floor is floorMM away. It is empty when all is well.
func remarks(c sensor.Config, in Inside, floorMM float64) []sensor.Said {
	var out []sensor.Said
	reach, left := sensor.ReachOf(c), floorMM-in.TopMM
	if in.TopMM > 0 && left < 0 {
		out = append(out, sensor.Say("level.remark.rim", "found", floorMM, "top", in.TopMM))
	}
	if in.TopMM > 0 && left >= 0 && left < reach.MinMM {
		out = append(out, sensor.Say("level.remark.near", "left", left, "least", reach.MinMM, "up", reach.MinMM-left))
	}
	if floorMM > reach.MaxMM {
		out = append(out, sensor.Say("level.remark.far", "found", floorMM))
	}
	return append(out, coneRemark(c, reach.ConeDeg, in, floorMM)...)
}

// coneRemark says when the sensor sees more than the surface.
func coneRemark(c sensor.Config, coneDeg float64, in Inside, floorMM float64) []sensor.Said {
	if coneDeg == 0 || in.WidthMM == nil {
		return nil
	}
	for _, height := range []float64{in.TopMM, in.TopMM / 2, 0} { // the rim first: it is what is usually seen
		spot, width := spotMM(floorMM-height, coneDeg), in.WidthMM(height)
		if spot <= width || width <= 0 {
			continue
		}
		key := "level.remark.wide"
		if tof, ok := c.(*sensor.VL53L1X); ok && tof.ROI != 4 {
			key = "level.remark.wide_roi"
		}
		return []sensor.Said{sensor.Say(key, "height", height, "spot", spot, "width", width)}
	}
	return nil
}

// Calibration leads through the measuring of a vessel: first its empty floor, then,
// if wanted, known volumes of water. It must not be used by two goroutines at once.
type Calibration struct {
	conf   sensor.Config
	inside Inside

	Floor   *Level        // of the empty vessel; nil before that
	Remarks []sensor.Said // on how the sensor sits
	Points  [][2]float64  // height mm, volume L; the first is the floor
}

// NewCalibration begins to measure a vessel whose height a sensor of conf reads.
func NewCalibration(conf sensor.Config, in Inside) *Calibration {
	return &Calibration{conf: conf, inside: in}
}

// Empty takes the level of the empty vessel. It begins the calibration again.
func (c *Calibration) Empty(measure func() (Level, error)) error {
	l, err := measure()
	if err != nil {
		return err
	}
	c.Floor, c.Remarks, c.Points = &l, remarks(c.conf, c.inside, l.MM), [][2]float64{{0, 0}}
	return nil
}

// leastStepMM is the least rise of the water between two pours.
const leastStepMM = 3.0

// Pour takes the level after water was poured in; totalL is all the water in the vessel
// now, in litres. The error says why the step was not taken.
func (c *Calibration) Pour(totalL float64, measure func() (Level, error)) (heightMM float64, err error) {
	if !(totalL > 0 && totalL <= 100) {
		return 0, sensor.Fault(sensor.BadData, "level.litres", "found", fmt.Sprint(totalL))
	}
	if c.Floor == nil {
		return 0, sensor.Fault(sensor.Missing, "level.floor")
	}
	l, err := measure()
	if err != nil {
		return 0, err
	}
	height := math.Round((c.Floor.MM-l.MM)*10) / 10
	last := c.Points[len(c.Points)-1]
	switch {
	case totalL <= last[1]:
		return height, sensor.Fault(sensor.BadData, "level.total", "total", fmt.Sprint(totalL), "before", fmt.Sprint(last[1]))
	case height < last[0]+leastStepMM:
		return height, sensor.Fault(sensor.BadData, "level.step", "height_tenth", height, "step_tenth", height-last[0])
	}
	c.Points = append(c.Points, [2]float64{height, totalL})
	return height, nil
}

// Result gives the floor distance, rounded to a tenth of a millimetre, and the
// profile: nil when no water was poured.
func (c *Calibration) Result() (floorMM float64, profile [][2]float64, err error) {
	if c.Floor == nil {
		return 0, nil, sensor.Fault(sensor.Missing, "level.floor")
	}
	if len(c.Points) > 1 {
		profile = slices.Clone(c.Points)
	}
	return math.Round(c.Floor.MM*10) / 10, profile, nil
}
