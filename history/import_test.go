package history

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// every gives n invented samples, one in ten seconds.
func every(n int) []bake.Recorded {
	out := make([]bake.Recorded, n)
	for i := range out {
		out[i] = invented(t0, 10*i)
		out[i].Time = t0.Add(time.Duration(i) * 10 * time.Second)
	}
	out[4].Event = estimator.Fold
	return out
}

func TestImportRise(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{})
	r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0, EndedAt: t0.Add(2 * time.Hour), PeakAt: t0.Add(time.Hour)}
	id := must(s.ImportRise(ctx, r, every(720)))
	rows := collect(t, s, id)
	assert.Len(t, rows, 720)
	assert.Equal(t, estimator.Fold, rows[4].Event)
	got := must(s.Rise(ctx, id))
	assert.True(t, got.Imported)
	assert.InDelta(t, 24.5, got.MeanDoughC, 1)
	assert.InDelta(t, 7200/360.0*1.05, got.EquivHours, 0.1, "taken from the samples")
	assert.InDelta(t, 3600/360.0*1.05, got.PeakEquivHours, 0.1)

	_, err := s.ImportRise(ctx, r, every(10))
	require.ErrorIs(t, err, ErrExists)
	r.StartedAt, r.EndedAt = t0.Add(time.Hour), t0.Add(5*time.Hour)
	_, err = s.ImportRise(ctx, r, every(10))
	require.ErrorIs(t, err, ErrExists, "one vessel holds one rise at a time")
	for _, name := range []string{"tub\r\nSet-Cookie: x", "tub\u202eevil", "tub\x00", "tub\xff", strings.Repeat("x", 300), "a\u200bb"} {
		odd := r
		odd.Vessel = name
		_, err = s.ImportRise(ctx, odd, every(10))
		require.ErrorContains(t, err, "cannot be seen", "%q", name)
	}
	r.EndedAt = time.Time{}
	_, err = s.ImportRise(ctx, r, every(10))
	require.ErrorContains(t, err, "only a rise that ended")
}
