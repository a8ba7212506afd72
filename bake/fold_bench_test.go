package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/estimator"
	"tidemark/estimator/geometry"
)

// BenchmarkFold folds ten hours of samples, one every 10 s, with four folds of the
// dough: what a restart, an undo and a corrected time cost late in a rise.
func BenchmarkFold(b *testing.B) {
	shape, err := geometry.Cylinder(200, 240)
	require.NoError(b, err)
	s, err := NewSession(Vessel{Name: "tub", Estimator: estimator.Config{Profile: shape, FloorMM: 240, Holds: estimator.Dough, TargetPercent: 100, Lead: 20 * time.Minute}}, Learned{})
	require.NoError(b, err)
	start := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	s.Apply(Event{ID: 1, RiseID: 1, At: start, Kind: EventStart})
	s.At(start, Around{CoreC: math.NaN()})
	now := start
	for i := range 3600 {
		now = start.Add(time.Duration(i) * 10 * time.Second)
		if i > 0 && i%180 == 0 && i < 900 {
			s.Apply(Event{ID: int64(i), RiseID: 1, At: now, Kind: EventFold})
		}
		rise := 1.2 / (1 + math.Exp(-(now.Sub(start).Hours()-5)/1.2)) // an invented curve
		s.run.Samples = append(s.run.Samples, Recorded{Time: now, DistanceMM: 240 - 60*(1+rise) + 0.4*math.Sin(float64(i)), DoughC: 24, AirC: 23})
	}
	for b.Loop() {
		fold, _ := s.Again()
		fresh, err := fold(now, nil)
		require.NoError(b, err)
		require.Greater(b, fresh.At(now.Add(10*time.Second), Around{CoreC: math.NaN()}).Estimate.RisePercent, 80.0)
	}
}
