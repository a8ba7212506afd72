package survey

import (
	"context"
	"fmt"
	"time"

	"tidemark/sensor"
	"tidemark/sensor/source"
)

// Item is a sensor to be checked.
type Item struct {
	Vessel   string
	Role     string // height, dough or air
	Config   sensor.Config
	Quantity sensor.Quantity
	FloorMM  float64 // distance to the vessel's empty floor, where it is known: for height
}

// Verdict sums up what a sensor did.
type Verdict string

// The verdicts.
const (
	Good     Verdict = "good"
	Doubtful Verdict = "doubtful" // it reads, but not always or not steadily
	Failed   Verdict = "failed"   // no usable reading at all
)

// Result is what was found out about one sensor.
type Result struct {
	Item
	Readings int     // how often it was asked
	Usable   int     // how often it gave a value
	Value    float64 // median, in the unit of its quantity; NaN when Failed
	Spread   float64 // of a single reading, same unit; NaN when Failed
	Verdict  Verdict
	Status   sensor.Status // of the last fault; empty when there was none
	Problem  error         // nil when Good
	Advice   []string      // what to do, most useful first, by keys of the catalogue
}

// Steadiness beyond which a reading is doubtful: common practice, no source.
const (
	shakyMM    = 5.0
	shakyC     = 0.5
	shakyRatio = 0.03
	missRatio  = 0.2 // share of failed readings
	beyondMM   = 8.0 // farther than the vessel's floor
)

// Check reads every item for a length of time, once a second, and judges it. The
// sensors are opened for it and closed again.
func Check(ctx context.Context, items []Item, env source.Env, length time.Duration) []Result {
	tallies := make([]tally, len(items))
	var jobs []sensor.Job
	var open []sensor.Source
	for i, it := range items {
		src, err := source.Open(it.Config, it.Quantity, env)
		if err != nil {
			tallies[i].add(sensor.Reading{Status: sensor.Missing, Err: err})
			continue
		}
		open = append(open, src)
		jobs = append(jobs, sensor.Job{Bus: source.Bus(it.Config), Source: src, Quantity: it.Quantity,
			Every: time.Second, Timeout: min(length, 5*time.Second), Deliver: tallies[i].add})
	}
	limited, cancel := context.WithCancel(ctx)
	stop := time.AfterFunc(length, cancel)
	defer stop.Stop()
	defer cancel()
	if len(jobs) > 0 {
		sensor.Poll(limited, jobs)
	}
	for _, s := range open {
		_ = s.Close() // nothing was written: a failing close loses nothing
	}
	results := make([]Result, len(items))
	for i, it := range items {
		results[i] = tallies[i].judge(it)
	}
	return results
}

// tally collects the readings of one sensor.
type tally struct {
	values []float64
	last   sensor.Reading // last fault
	count  int
}

// add takes a reading.
func (n *tally) add(r sensor.Reading) {
	n.count++
	if r.Status == sensor.OK {
		n.values = append(n.values, r.Value)
		return
	}
	n.last = r
}

// judge sums it up.
func (n *tally) judge(it Item) Result {
	f := Result{Item: it, Readings: n.count, Usable: len(n.values), Verdict: Good, Status: n.last.Status}
	f.Value, f.Spread, _ = sensor.Summary(n.values, 0)
	missed := n.count - len(n.values)
	switch {
	case n.count == 0:
		f.Verdict, f.Problem = Failed, sensor.Fault(sensor.Missing, "check.silent")
	case len(n.values) == 0:
		f.Verdict, f.Problem = Failed, n.last.Err
	case float64(missed) > missRatio*float64(n.count):
		f.Verdict, f.Problem = Doubtful, n.missed()
	case f.Spread > shaky(it.Quantity):
		f.Verdict, f.Problem = Doubtful, sensor.Fault(sensor.Unreliable, "check.shaky")
	}
	switch {
	case f.Verdict == Good && it.FloorMM > 0 && f.Value > it.FloorMM+beyondMM:
		f.Verdict, f.Problem = Doubtful, sensor.Fault(sensor.OutOfRange, "check.far", "found", f.Value, "floor", fmt.Sprint(it.FloorMM))
		f.Advice = []string{"advice.floor"}
	case f.Verdict != Good:
		f.Advice = advise(sensor.KindOf(it.Config), n.last.Status)
	}
	return f
}

// missed says how many readings failed, and how the last of them.
func (n *tally) missed() error {
	return sensor.Fault(n.last.Status, "check.missed", "count", n.count-len(n.values), "of", n.count, "why", n.last.Err)
}

// shaky is the spread that is too much for a quantity.
func shaky(q sensor.Quantity) float64 {
	return map[sensor.Quantity]float64{sensor.Distance: shakyMM, sensor.Temperature: shakyC, sensor.Humidity: shakyRatio}[q]
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
