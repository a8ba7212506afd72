package forecast

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator/kinetics"
)

// A noisy Gompertz rise at 24 C (the curve of the published value tables:
// ceiling 150 %, 35 %/h, lag 1.5 h) is forecast an hour ahead.
func TestCrossingAheadOfTheMark(t *testing.T) {
	shape := kinetics.Gompertz()
	rng := rand.New(rand.NewPCG(1, 2))
	f := New(DefaultPrior("dough"))
	y0 := shape.Rise(150, 35, 1.5, 0)
	truth := shape.TimeOf(150, 35, 1.5, 100+y0)
	for s := 0; s < int(3600*(truth-1)); s += 10 {
		h := float64(s) / 3600
		at := time.Duration(s) * time.Second
		v := 1.2 * (1 + (shape.Rise(150, 35, 1.5, h)-y0)/100)
		f.Temper(at, 24, 22)
		f.Add(Point{At: at, VolumeL: v + 0.03*rng.NormFloat64(), SDL: 0.03, DoughC: 24})
	}
	f.Refit(time.Duration(3600*(truth-1)) * time.Second)
	c := f.Crossing(100)
	require.True(t, c.Known, c.Why)
	assert.InDelta(t, truth, c.Median.Hours(), 0.25)
	assert.Less(t, (c.Until - c.From).Minutes(), 40.0)
	assert.InDelta(t, 1, c.Chance, 0.1)
	low, mid, high := f.Ceiling()
	assert.True(t, low < mid && mid < high && low > 100, "%v %v %v", low, mid, high)
	v, sd := f.Baseline()
	assert.InDelta(t, 1.2, v, 4*sd)
	p, sd := f.Rise(duration(truth - 1))
	assert.InDelta(t, shape.Rise(150, 35, 1.5, truth-1)-y0, p, 4*sd)
}

func BenchmarkRefit(b *testing.B) {
	f := New(DefaultPrior("dough"))
	for s := 0; s < 4*3600; s += 10 {
		at := time.Duration(s) * time.Second
		f.Temper(at, 24, 22)
		f.Add(Point{At: at, VolumeL: 1.2 * (1 + (kinetics.Gompertz().Rise(150, 35, 1.5, float64(s)/3600))/100), SDL: 0.01, DoughC: 24})
	}
	b.ReportAllocs()
	for b.Loop() {
		f.Refit(4 * time.Hour)
	}
}

func BenchmarkAdd(b *testing.B) {
	f := New(DefaultPrior("dough"))
	b.ReportAllocs()
	s := 0
	for b.Loop() {
		at := time.Duration(s) * time.Second
		f.Temper(at, 24, 22)
		f.Add(Point{At: at, VolumeL: 1.2, SDL: 0.01, DoughC: 24})
		s++
	}
}
