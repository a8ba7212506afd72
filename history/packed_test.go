package history

import (
	"fmt"
	"math"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"tidemark/estimator"
)

// TestPackedSamplesLoseNothing packs as precisely as the file keeps.
func TestPackedSamplesLoseNothing(t *testing.T) {
	value := rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(-2e6, 2e6), rapid.Just(0.0), rapid.Just(-0.0004))
	rapid.Check(t, func(t *rapid.T) {
		r := RiseRow{rapid.Int64Min(1).Draw(t, "rise"), Row{
			Time:     time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(t, "ms")).UTC(),
			Rejected: rapid.SampledFrom([]string{"", "spike", "stuck"}).Draw(t, "rejected"),
			Event:    rapid.SampledFrom([]estimator.Event{estimator.NoEvent, estimator.Fold}).Draw(t, "event"),
		}}
		for _, v := range valuesOf(&r.Row) {
			*v = value.Draw(t, "value")
		}
		got := pack(r).unpack()
		assert.Equal(t, fmt.Sprintf("%+v", rounded(r.Row)), fmt.Sprintf("%+v", got.Row))
		assert.Equal(t, r.RiseID, got.RiseID)
	})
}

// TestPackedSamplesRefuseWhatIsNoMeasurement takes it for missing, as the file does.
func TestPackedSamplesRefuseWhatIsNoMeasurement(t *testing.T) {
	for _, v := range []float64{3e6, -3e6, 1e300, math.Inf(1), math.Inf(-1), math.MinInt32 / 1000.0} {
		got := pack(RiseRow{1, Row{Time: t0, DistanceMM: v}}).unpack()
		assert.True(t, math.IsNaN(got.Row.DistanceMM), "%g", v)
	}
}

// TestPackedSamplesAreSmall is why they are packed.
func TestPackedSamplesAreSmall(t *testing.T) {
	assert.LessOrEqual(t, unsafe.Sizeof(packedRow{}), unsafe.Sizeof(RiseRow{})/2)
}

// TestTheTailGrowsWithTheVessels has room for a page of samples of each.
func TestTheTailGrowsWithTheVessels(t *testing.T) {
	for _, c := range []struct{ vessels, want int }{{0, 2000}, {1, 2000}, {10, 2000}, {50, 10000}, {100, 20000}, {1000, 60000}, {10000, 600000}} {
		assert.Equal(t, c.want, tailRows(c.vessels), "%d vessels", c.vessels)
		s := openTest(t, Options{Vessels: c.vessels})
		assert.Greater(t, s.opt.KeepRows, tailRows(c.vessels))
	}
}
