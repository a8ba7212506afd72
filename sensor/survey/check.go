// Package survey finds out what sensors a machine has, whether they work, and how
// they sit over a vessel: the work behind the commands check and level, and behind
// the same steps on the page.
//
// Units: mm, litres, Celsius, degrees of angle.
//
// It reads and advises; it changes nothing on the machine.
package survey

import (
	"context"
	"fmt"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/source"
)

// Verdict sums up what a sensor did.
type Verdict string

// The verdicts.
const (
	Good     Verdict = "good"
	Doubtful Verdict = "doubtful" // it reads, but not always or not steadily
	Failed   Verdict = "failed"   // no usable reading at all
)

// Result is a sensor to be checked, and what was found out about it.
type Result struct {
	Vessel   string
	Role     string // height, dough, air or humidity
	Config   sensor.Config
	Quantity sensor.Quantity
	FloorMM  float64 // distance to the vessel's empty floor, where it is known: for height

	Readings int     // how often it was asked
	Usable   int     // how often it gave a value
	Value    float64 // median, in the unit of its quantity; NaN when Failed
	Spread   float64 // of a single reading, same unit; NaN when Failed
	Verdict  Verdict
	Status   sensor.Status // of the last fault; empty when there was none
	Problem  error         // nil when Good
	Advice   []string      // what to do, most useful first, by keys of the catalogue

	values []float64
	last   error // of the readings that failed
}

// Steadiness beyond which a reading is doubtful, and how far a distance may exceed the
// floor's: common practice, no source.
const (
	shakyMM    = 5.0
	shakyC     = 0.5
	shakyRatio = 0.03
	missRatio  = 0.2 // share of failed readings
	beyondMM   = 8.0
)

// Check reads every sensor for a length of time, once a second, and judges it. They are
// opened for it and closed again.
func Check(ctx context.Context, sensors []Result, env source.Env, length time.Duration) []Result {
	var jobs []sensor.Job
	for i := range sensors {
		r := &sensors[i]
		src, err := source.Open(r.Config, r.Quantity, env)
		if err != nil {
			r.add(sensor.Reading{Status: sensor.Missing, Err: err})
			continue
		}
		defer src.Close()
		jobs = append(jobs, sensor.Job{Bus: source.Bus(r.Config), Source: src, Quantity: r.Quantity, Every: time.Second, Timeout: min(length, 5*time.Second), Deliver: r.add})
	}
	if len(jobs) > 0 {
		limited, cancel := context.WithTimeout(ctx, length)
		defer cancel()
		sensor.Poll(limited, jobs)
	}
	for i := range sensors {
		sensors[i].judge()
	}
	return sensors
}

// add takes a reading.
func (r *Result) add(one sensor.Reading) {
	r.Readings++
	if one.Status == sensor.OK {
		r.values = append(r.values, one.Value)
		r.Usable++
		return
	}
	r.Status, r.last = one.Status, one.Err
}

// judge sums the readings up.
func (r *Result) judge() {
	r.Value, r.Spread, _ = sensor.Summary(r.values, 0)
	shaky := map[sensor.Quantity]float64{sensor.Distance: shakyMM, sensor.Temperature: shakyC, sensor.Humidity: shakyRatio}
	r.Verdict = Doubtful
	switch {
	case r.Readings == 0:
		if _, sent := r.Config.(*sensor.MQTT); sent { // by a node, which may do so seldom
			r.Status = sensor.Stale
		}
		r.Verdict, r.Problem = Failed, sensor.Fault(sensor.Missing, "check.silent")
	case r.Usable == 0:
		r.Verdict, r.Problem = Failed, r.last
	case float64(r.Readings-r.Usable) > missRatio*float64(r.Readings):
		r.Problem = r.missed()
	case r.Spread > shaky[r.Quantity]:
		r.Problem = sensor.Fault(sensor.Unreliable, "check.shaky")
	case r.FloorMM > 0 && r.Value > r.FloorMM+beyondMM:
		r.Problem = sensor.Fault(sensor.OutOfRange, "check.far", "found", r.Value, "floor", fmt.Sprint(r.FloorMM))
		r.Advice = []string{"advice.floor"}
		return
	default:
		r.Verdict = Good
		return
	}
	r.Advice = advise(r.Config, r.Status)
}

// missed says how many readings failed, and how the last of them.
func (r *Result) missed() error {
	return sensor.Fault(r.Status, "check.missed", "count", r.Readings-r.Usable, "of", r.Readings, "why", r.last)
}

// advise tells what to do about a sensor that failed so, most useful first, by the keys
// of sentences in the catalogue: those for its group of kinds, else those for all.
func advise(c sensor.Config, status sensor.Status) (keys []string) {
	group := map[string]string{"w1": "probe", "ds18b20": "probe", "vl53l1x": "i2c", "vl6180x": "i2c", "bme280": "i2c", "iio": "kernel", "hwmon": "kernel",
		"hcsr04": "echo", "srf04": "echo", "serial": "serial", "mqtt": "mqtt"}[sensor.KindOf(c)]
	sentences := map[string]int{"probe.missing": 3, "probe.power_on": 2, "probe.bad_data": 1, "i2c.missing": 3, "i2c.read_failed": 2, "kernel.missing": 2,
		"echo.read_failed": 3, "echo.missing": 1, "echo.unreliable": 1, "serial.missing": 1, "serial.read_failed": 2, "serial.bad_data": 1,
		"mqtt.missing": 1, "mqtt.stale": 2, "mqtt.bad_data": 1,
		"any.missing": 1, "any.read_failed": 1, "any.bad_data": 1, "any.out_of_range": 1, "any.unreliable": 1, "any.stale": 1, "any.stuck": 1, "any.else": 1}
	for _, about := range []string{group + "." + string(status), "any." + string(status), "any.else"} {
		for i := range sentences[about] {
			keys = append(keys, fmt.Sprintf("advice.%s.%d", about, i+1))
		}
		if len(keys) > 0 {
			break
		}
	}
	return keys
}

// Notes says what else to know about a distance sensor that measures by sound.
// hasAir tells whether the vessel has an air thermometer.
func Notes(c sensor.Config, hasAir bool) []sensor.Said {
	var conf sensor.Sound
	pings := true
	switch c := c.(type) {
	case *sensor.HCSR04:
		conf = c.Sound
	case *sensor.SRF04:
		conf = c.Sound
	case *sensor.Serial:
		conf, pings = c.Sound, false
	default:
		return nil
	}
	var out []sensor.Said
	if pings && !hasAir && conf.AirC == 0 {
		out = append(out, sensor.Say("survey.no_air", "step_span_c", 4.0))
	}
	if conf.CO2Ratio == 0 {
		out = append(out, sensor.Say("survey.no_co2"))
	}
	return out
}
