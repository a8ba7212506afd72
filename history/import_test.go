package history

import (
	"errors"
	"iter"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// every gives n invented samples, one a second, and then an error if there is one.
func every(n int, failure error) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		for i := range n {
			r := invented(t0, i)
			r.Time = t0.Add(time.Duration(i) * time.Second)
			if i == 33 {
				r.Event = estimator.Fold
			}
			if !yield(r, nil) {
				return
			}
		}
		if failure != nil {
			yield(Row{}, failure)
		}
	}
}

func TestImportRise(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{})
	r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0, EndedAt: t0.Add(2 * time.Hour), PeakAt: t0.Add(time.Hour)}
	_, err := s.ImportRise(ctx, r, every(500, errors.New("line 501 is bad")))
	require.ErrorContains(t, err, "line 501 is bad")
	p, err := s.Rises(ctx, Filter{})
	require.NoError(t, err)
	require.Empty(t, p.Rises, "a bad record leaves nothing")

	id, err := s.ImportRise(ctx, r, every(7200, nil))
	require.NoError(t, err)
	rows := collect(t, s, id)
	assert.InDelta(t, 721, len(rows), 2)
	assert.Equal(t, estimator.Fold, rows[4].Event)
	got, err := s.Rise(ctx, id)
	require.NoError(t, err)
	assert.True(t, got.Imported)
	assert.InDelta(t, 24.5, got.MeanDoughC, 1)
	assert.InDelta(t, 7200/360.0*1.05, got.EquivHours, 0.1, "taken from the samples")
	assert.InDelta(t, 3600/360.0*1.05, got.PeakEquivHours, 0.1)

	_, err = s.ImportRise(ctx, r, every(10, nil))
	require.ErrorIs(t, err, ErrExists)
	r.StartedAt, r.EndedAt = t0.Add(time.Hour), t0.Add(5*time.Hour)
	_, err = s.ImportRise(ctx, r, every(10, nil))
	require.ErrorIs(t, err, ErrExists, "one vessel holds one rise at a time")
	for _, name := range []string{"tub\r\nSet-Cookie: x", "tub\u202eevil", "tub\x00", "tub\xff", strings.Repeat("x", 300), "a\u200bb"} {
		odd := r
		odd.Vessel = name
		_, err = s.ImportRise(ctx, odd, every(10, nil))
		require.ErrorContains(t, err, "cannot be seen", "%q", name)
	}
	r.EndedAt = time.Time{}
	_, err = s.ImportRise(ctx, r, every(10, nil))
	require.ErrorContains(t, err, "only a rise that ended")
}
