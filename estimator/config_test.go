package estimator

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator/geometry"
)

func goodConfig(t testing.TB) Config {
	t.Helper()
	p, err := geometry.Cylinder(100, 200)
	require.NoError(t, err)
	return Config{Profile: p, FloorMM: 260}
}

func TestValidate(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Config)
		want   string
	}{
		"profile":     {func(c *Config) { c.Profile = nil }, "profile: the vessel's shape is needed to turn a height into a volume"},
		"floor":       {func(c *Config) { c.FloorMM = 0 }, "floor_mm: must be over 0 and up to 4000 mm, found 0; measure from the sensor to the empty vessel's floor"},
		"floor nan":   {func(c *Config) { c.FloorMM = math.NaN() }, "floor_mm: must be over 0 and up to 4000 mm, found NaN; measure from the sensor to the empty vessel's floor"},
		"holds":       {func(c *Config) { c.Holds = "soup" }, `holds: must be dough or starter, found "soup"`},
		"target":      {func(c *Config) { c.TargetPercent = -5 }, "target_percent: must be over 0 and up to 1000, found -5"},
		"lead":        {func(c *Config) { c.Lead = 25 * time.Hour }, "lead: must be 0 to 24h, found 25h0m0s"},
		"lost after":  {func(c *Config) { c.LostAfter = time.Second }, "lost_after: must be 1m to 24h, found 1s"},
		"table order": {func(c *Config) { c.TargetTable = TargetTable{{20, 90}, {20, 80}} }, "target table: temperatures must increase: row 2 is 20 °C after 20 °C"},
		"table cold":  {func(c *Config) { c.TargetTable = TargetTable{{-6, 90}} }, "target table: row 1: dough must be -5 to 60 °C, found -6"},
		"table rise":  {func(c *Config) { c.TargetTable = TargetTable{{20, 0}} }, "target table: row 1: rise must be over 0 and up to 1000 percent, found 0"},
	} {
		cfg := goodConfig(t)
		require.NoError(t, cfg.Validate())
		c.change(&cfg)
		assert.EqualError(t, cfg.Validate(), c.want, name)
		_, err := New(cfg)
		assert.EqualError(t, err, "estimator: "+c.want, name)
	}
}

// The table of T. Cucuzza, January 2023, at second hand: 65, 70, 75, 80 F. The
// line 240 - 7.83 T is a reader's fit to it (public forum, March 2024).
func TestCommonTargets(t *testing.T) {
	table := CommonTargets()
	require.NoError(t, table.validate())
	for f, want := range map[float64]float64{65: 100, 70: 75, 75: 50, 80: 30} {
		c := (f - 32) * 5 / 9
		assert.InDelta(t, want, table.At(c), 0.6, "%g F", f)
		assert.InDelta(t, 240-7.83*c, table.At(c), 4, "the reader's line at %g F", f)
	}
	assert.Equal(t, 100.0, table.At(4), "held below")
	assert.Equal(t, 30.0, table.At(35), "held above")
	assert.True(t, math.IsNaN(table.At(math.NaN())))
	assert.True(t, math.IsNaN(TargetTable(nil).At(20)))
}

func TestTargetTableProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var table TargetTable
		c := -5.0
		low, high := math.Inf(1), math.Inf(-1)
		for range rapid.IntRange(1, 8).Draw(t, "rows") {
			c += rapid.Float64Range(0.1, 6).Draw(t, "step")
			r := rapid.Float64Range(1, 300).Draw(t, "rise")
			table = append(table, TargetPoint{c, r})
			low, high = min(low, r), max(high, r)
		}
		if err := table.validate(); err != nil {
			t.Fatal(err)
		}
		got := table.At(rapid.Float64Range(-30, 80).Draw(t, "at"))
		if got < low-1e-9 || got > high+1e-9 {
			t.Fatalf("%g outside %g..%g", got, low, high)
		}
		for _, p := range table {
			if math.Abs(table.At(p.DoughC)-p.RisePercent) > 1e-9 {
				t.Fatalf("row %v gives %g", p, table.At(p.DoughC))
			}
		}
	})
}

// The user's own number wins over the table, the table over doubling; 0 gives the mark
// back to what was configured.
func TestTargetChoice(t *testing.T) {
	cfg := goodConfig(t)
	at := simEpoch
	begin := func(percent float64, table TargetTable) (*Estimator, func(want float64, why string)) {
		cfg.TargetPercent, cfg.TargetTable = percent, table
		e, err := New(cfg)
		require.NoError(t, err)
		e.Begin(at)
		return e, func(want float64, why string) {
			assert.InDelta(t, want, e.Estimate(at).TargetPercent, 0.1, why)
		}
	}
	e, is := begin(0, CommonTargets())
	is(100, "no temperature yet: doubling")
	for range 200 {
		e.Observe(Sample{Time: at, DistanceMM: 200, DoughC: 23.9, AirC: math.NaN()})
		at = at.Add(time.Minute)
	}
	is(50, "by the dough's temperature")
	e.SetTarget(80)
	is(80, "set by hand")
	e.SetTarget(0)
	is(50, "given back to the table")
	e, is = begin(60, CommonTargets())
	e.Observe(Sample{Time: at, DistanceMM: 200, DoughC: 23.9, AirC: math.NaN()})
	is(60, "the user's own number wins")
	e, is = begin(0, nil)
	e.SetTarget(60)
	e.SetTarget(0)
	is(DefaultTargetPercent, "without a table 0 stands for doubling")
}
