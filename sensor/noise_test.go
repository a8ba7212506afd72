package sensor_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

func TestNoiseMeter(t *testing.T) {
	for _, noise := range []float64{0.5, 2, 5} {
		var m sensor.NoiseMeter
		dice := rand.New(rand.NewPCG(1, uint64(noise*10)))
		var sum float64
		for i := range 400 {
			level := 150 - 0.02*float64(i) // a rise of 72 mm in an hour at one reading a second
			if i > 200 {
				level += 30 // a fold
			}
			sd := m.Add(math.Round(level+noise*dice.NormFloat64()), 1)
			if i < 8 {
				require.Zero(t, sd, "not known yet")
			} else {
				sum += sd
			}
		}
		assert.InEpsilon(t, math.Sqrt(noise*noise+1.0/12), sum/392, 0.2, "noise and step of 1 mm")
	}
	var still sensor.NoiseMeter
	sd := 0.0
	for range 20 {
		sd = still.Add(24.0625, 0.0625)
	}
	assert.InDelta(t, 0.0625/math.Sqrt(12), sd, 1e-9, "never less than the step gives")
}

func TestSummary(t *testing.T) {
	median, spread, sd := sensor.Summary([]float64{3, 1, 2, 100}, 0)
	assert.Equal(t, 2.5, median)
	assert.InDelta(t, 1.4826, spread, 1e-9)
	assert.InDelta(t, 1.2533*1.4826/2, sd, 1e-9)
	median, _, sd = sensor.Summary(nil, 1)
	assert.True(t, math.IsNaN(median))
	assert.True(t, math.IsNaN(sd))
}
