package history

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// TestRecordHasTheEvents: at the sample of their moment, between two, and after the
// last; one that was undone, and one that is no business of the dough, are left out.
func TestRecordHasTheEvents(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := must(s.BeginRise(t.Context(), bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}, &bake.Event{At: t0, Kind: "start"}))
	for i := range 3 {
		r := row(i)
		r.Time = t0.Add(time.Duration(i) * 10 * time.Second)
		require.NoError(t, s.AppendRow(id, r))
	}
	for _, e := range []bake.Event{{At: t0.Add(15 * time.Second), Kind: "fold"}, {At: t0.Add(16 * time.Second), Kind: "fridge", UndoneAt: t0.Add(time.Minute)},
		{At: t0.Add(17 * time.Second), Kind: "note"}, {At: t0.Add(time.Hour), Kind: "shaped"}} {
		e.RiseID, e.Vessel = id, "tub"
		_ = must(s.AddEvent(t.Context(), e))
	}
	type line struct {
		after time.Duration
		event estimator.Event
	}
	var got []line
	rows := must(s.Record(t.Context(), id))
	for _, r := range rows {
		got = append(got, line{r.Time.Sub(t0), r.Event})
	}
	assert.Equal(t, []line{{0, "start"}, {10 * time.Second, ""}, {15 * time.Second, "fold"}, {20 * time.Second, ""}, {time.Hour, "end"}}, got)
}
