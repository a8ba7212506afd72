package estimator

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"tidemark/estimator/forecast"
	"tidemark/estimator/geometry"
)

// DefaultLostAfter is how long no believed reading may come before the
// estimate says that it cannot see.
const DefaultLostAfter = 5 * time.Minute

// DefaultTargetPercent is the mark when nothing is said: doubled.
const DefaultTargetPercent = 100

// Config says what is watched and what the user wants to know.
type Config struct {
	Profile *geometry.Profile // inner shape of the vessel; required
	FloorMM float64           // sensor face to the empty vessel's floor, mm; required
	Holds   Holds             // Dough when empty

	TargetPercent float64     // the user's mark, percent rise; 0 means by TargetTable, else DefaultTargetPercent
	TargetTable   TargetTable // mark by dough temperature; used only when TargetPercent is 0

	Lead      time.Duration // how long before the mark to say near; default 30 min
	LostAfter time.Duration // default DefaultLostAfter
	AutoStart bool          // the first valid height of a vessel that is not empty starts the first rise

	Prior *forecast.Prior // what is believed of the rise beforehand; nil for the default

	// ByHand says that no sensor sees the height: looks by eye and temperature are all
	// there is. Profile and FloorMM are not needed then.
	ByHand bool
}

// TargetPoint is one row of a TargetTable.
type TargetPoint struct {
	DoughC      float64
	RisePercent float64
}

// TargetTable gives the mark by dough temperature, temperatures rising. Between
// rows it is interpolated; beyond its ends the end value holds.
type TargetTable []TargetPoint

// CommonTargets is the rise at which to end the bulk of a sourdough that goes
// on to a cold retard: warm dough keeps rising after shaping. Common practice:
// T. Cucuzza, table published January 2023 (65, 70, 75 and 80 F), quoted at
// second hand. Dough baked the same day rises further.
func CommonTargets() TargetTable {
	return TargetTable{{18.3, 100}, {21.1, 75}, {23.9, 50}, {26.7, 30}}
}

// At is the mark in percent rise for a dough temperature in Celsius; NaN for an
// unknown temperature or an empty table.
func (t TargetTable) At(doughC float64) float64 {
	if len(t) == 0 || math.IsNaN(doughC) {
		return math.NaN()
	}
	i := sort.Search(len(t), func(i int) bool { return t[i].DoughC >= doughC })
	switch i {
	case 0:
		return t[0].RisePercent
	case len(t):
		return t[len(t)-1].RisePercent
	}
	a, b := t[i-1], t[i]
	return a.RisePercent + (b.RisePercent-a.RisePercent)*(doughC-a.DoughC)/(b.DoughC-a.DoughC)
}

// validate refuses tables that give no clear answer.
func (t TargetTable) validate() error {
	for i, p := range t {
		if !finite(p.DoughC) || p.DoughC < -5 || p.DoughC > 60 {
			return fmt.Errorf("target table: row %d: dough must be -5 to 60 °C, found %g", i+1, p.DoughC)
		}
		if !(p.RisePercent > 0 && p.RisePercent <= 1000) {
			return fmt.Errorf("target table: row %d: rise must be over 0 and up to 1000 percent, found %g", i+1, p.RisePercent)
		}
		if i > 0 && p.DoughC <= t[i-1].DoughC {
			return fmt.Errorf("target table: temperatures must increase: row %d is %g °C after %g °C", i+1, p.DoughC, t[i-1].DoughC)
		}
	}
	return nil
}

// withDefaults fills what was left out.
func (c Config) withDefaults() Config {
	if c.Holds == "" {
		c.Holds = Dough
	}
	if c.Lead == 0 {
		c.Lead = 30 * time.Minute
	}
	if c.LostAfter == 0 {
		c.LostAfter = DefaultLostAfter
	}
	return c
}

// Validate reports everything that is wrong with the configuration, or nil.
func (c Config) Validate() error {
	c = c.withDefaults()
	var errs []error
	bad := func(wrong bool, format string, args ...any) {
		if wrong {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(c.Profile == nil && !c.ByHand, "profile: the vessel's shape is needed to turn a height into a volume")
	bad(!(c.FloorMM > 0 && c.FloorMM <= 4000) && !c.ByHand, "floor_mm: must be over 0 and up to 4000 mm, found %g; measure from the sensor to the empty vessel's floor", c.FloorMM)
	bad(c.Holds != Dough && c.Holds != Starter, "holds: must be dough or starter, found %q", c.Holds)
	bad(!(c.TargetPercent >= 0 && c.TargetPercent <= 1000), "target_percent: must be over 0 and up to 1000, found %g", c.TargetPercent)
	bad(c.Lead < 0 || c.Lead > 24*time.Hour, "lead: must be 0 to 24h, found %s", c.Lead)
	bad(c.LostAfter < time.Minute || c.LostAfter > 24*time.Hour, "lost_after: must be 1m to 24h, found %s", c.LostAfter)
	if err := c.TargetTable.validate(); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// finite reports whether x is an ordinary number.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
