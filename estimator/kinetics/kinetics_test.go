package kinetics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// Equations of Gänzle, Ehmann, Hammes (1998), Appl. Environ. Microbiol.
// 64:2616-2623; the values are computed from them, to the digits given.
func TestGanzle(t *testing.T) {
	for _, c := range []struct{ temp, yeast, relative float64 }{
		{4, 0.00827, 0.0227},
		{10, 0.03335, 0.0914},
		{16, 0.11420, 0.3131},
		{20, 0.22470, 0.6161},
		{24, 0.36475, 1.0000},
		{27, 0.42332, 1.1606},
		{30, 0.34582, 0.9481},
		{33, 0.11984, 0.3286},
		{35, 0.00887, 0.0243},
		{36, 0, 0},
	} {
		assert.InDelta(t, c.yeast, Ganzle(c.temp), 6e-6, "%g C", c.temp)
		assert.InDelta(t, c.relative, Ganzle(c.temp)/Ganzle(24), 6e-5, "%g C", c.temp)
	}
	assert.InDelta(t, 0.4234220, Ganzle(27.114754), 1e-7, "optimum")
	assert.Zero(t, Ganzle(40))
}

// The rule of thumb by the same first author in a public FAQ: the generation
// time doubles at 20 and 32 C. Agreement in shape only.
func TestGanzleRuleOfThumb(t *testing.T) {
	best := Ganzle(27.1)
	for _, c := range []float64{20, 32} {
		assert.InDelta(t, 2, best/Ganzle(c), 0.3, "%g C", c)
	}
}

// Rosso, Lobry, Flandrois (1993), J. Theor. Biol. 162:447-463; parameters of
// S. cerevisiae from Salvado and others (2011), Appl. Environ. Microbiol. 77.
func TestCTMI(t *testing.T) {
	a, b := Cerevisiae(), CTMI{2, 27, 36} // the second is illustrative, no source
	for _, c := range []struct{ temp, a, b float64 }{
		{2, 0, 0}, {4, 0, 0.013264}, {5, 0.003335, 0.029446}, {10, 0.107845, 0.193488},
		{15, 0.319311, 0.459417}, {20, 0.579400, 0.756788}, {24, 0.779250, 0.944390},
		{28, 0.932558, 0.992294}, {32.3, 1, 0.723136}, {35, 0.967400, 0.257751},
		{40, 0.697465, 0}, {45.4, 0, 0}, {46, 0, 0},
	} {
		assert.InDelta(t, c.a, a.Rate(c.temp), 6e-7, "%g C", c.temp)
		assert.InDelta(t, c.b, b.Rate(c.temp), 6e-7, "%g C", c.temp)
	}
	slope := (a.Rate(32.3001) - a.Rate(32.2999)) / 0.0002
	assert.InDelta(t, 0, slope, 1e-6, "flat at the optimum")
}

func TestResponsesTable(t *testing.T) {
	r := NewResponses()
	yeast := Cerevisiae()
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-20, 70).Draw(t, "c")
		g, s := r.At(c)
		assert.InDelta(t, max(Floor, Ganzle(c)/Ganzle(24)), g, 3e-3)
		assert.InDelta(t, max(Floor, yeast.Rate(c)/yeast.Rate(24)), s, 3e-3)
	})
	g, s := r.At(math.NaN())
	assert.Equal(t, [2]float64{1, 1}, [2]float64{g, s}, "unknown counts as 24 C")
}

// Forms of Zwietering and others (1990), Appl. Environ. Microbiol. 56:1875-1881,
// with A = 150 %, mu = 35 %/h, lag = 1.5 h; the values are computed.
func TestSigmoidTables(t *testing.T) {
	shapes := []Sigmoid{Gompertz(), Richards(1), Richards(0.5), Richards(2)}
	times := map[float64][4]float64{
		25:    {2.157141, 1.918459, 2.053195, 1.613655},
		50:    {2.928348, 2.900199, 2.920645, 2.830962},
		75:    {3.654480, 3.642857, 3.643780, 3.639936},
		100:   {4.499879, 4.385515, 4.420181, 4.362011},
		125:   {5.760018, 5.367255, 5.507691, 5.223190},
		142.5: {7.759514, 6.797613, 7.160120, 6.381466},
	}
	for rise, want := range times {
		for i, s := range shapes {
			assert.InDelta(t, want[i], 1.5+150./35*s.UnitInverse(rise/150), 6e-7, "nu %g, %g %%", s.Nu, rise)
		}
	}
	values := map[float64][4]float64{
		0:   {0.131613, 4.844320, 2.176509, 9.513575},
		1:   {3.589207, 11.734239, 8.029672, 17.360715},
		2.5: {35.483337, 38.405626, 36.777803, 41.683129},
		4.5: {100.003115, 103.496172, 102.273976, 104.575231},
		8:   {143.537797, 147.473135, 146.057051, 148.874197},
		12:  {149.478422, 149.938565, 149.827779, 149.991085},
	}
	for at, want := range values {
		for i, s := range shapes {
			assert.InDelta(t, want[i], 150*s.Unit(35./150*(at-1.5)), 6e-7, "nu %g, %g h", s.Nu, at)
		}
	}
}

// Every shape: inverse, monotone, between 0 and 1, steepest slope 1.
func TestShapes(t *testing.T) {
	for _, s := range []Sigmoid{Gompertz(), Richards(1), Richards(0.5), Richards(2), Richards(3)} {
		steepest := 0.0
		for x := -0.3; x < 1.2; x += 1e-3 {
			y, after := s.Unit(x), s.Unit(x+1e-3)
			assert.True(t, y >= 0 && y < after && after < 1, "nu %g at %g", s.Nu, x)
			steepest = max(steepest, (after-y)/1e-3)
			if y > 1e-3 && y < 0.999 {
				assert.InDelta(t, x, s.UnitInverse(y), 1e-6)
			}
		}
		assert.InDelta(t, 1, steepest, 1e-4)
		assert.Equal(t, []float64{math.Inf(1), math.Inf(-1)}, []float64{s.UnitInverse(1), s.UnitInverse(-0.1)})
		assert.Zero(t, s.Unit(-1e4))
		assert.InDelta(t, 1, s.Unit(1e4), 1e-9)
	}
}

// A baker's measured curve: 1.5 kg in two baskets, end 4 C (breadbakingathome.com
// forum): 24, 20, 15, 10, 5 C after 0, 1, 2.75, 4, 7 h.
func TestFridgeCooling(t *testing.T) {
	k := Fridge()
	for _, c := range []struct{ hours, want float64 }{{0, 24}, {1, 20}, {2.75, 15}, {4, 10}, {7, 5}} {
		assert.InDelta(t, c.want, k.Next(24, c.hours), 0.5, "%g h", c.hours)
	}
	assert.InDelta(t, k.Next(24, 5), k.Next(k.Next(24, 2), 3), 1e-9, "two steps are one")
	assert.InDelta(t, 3.46, k.Next(2, 2.42), 0.01, "colder dough warms to the end")
}
