package history

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/estimator"
)

func TestMaintain(t *testing.T) {
	ctx := t.Context()
	now := t0
	s := openTest(t, Options{FlushEvery: time.Hour, Now: func() time.Time { return now }})
	id := begin(t, s, "tub", t0)
	peak := row(900)
	peak.RisePercent, peak.Event = 250, estimator.Fold
	for i := range 2160 { // six hours
		r := row(i)
		if i == 900 {
			r = peak
		}
		require.NoError(t, s.AppendRow(id, r))
	}
	open := begin(t, s, "jar", t0)
	require.NoError(t, s.EndRise(ctx, Rise{ID: id, Vessel: "tub", StartedAt: t0, EndedAt: t0.Add(6 * time.Hour)}))
	sent := letter("sent", "a", t0)
	sent.State = "sent"
	alive := letter("alive", "b", t0)
	alive.State = "sent"
	require.NoError(t, s.SaveAlarm(ctx, alarm("a", id, alert.Resolved, t0), []alert.Letter{sent, letter("waiting", "a", t0)}))
	require.NoError(t, s.SaveAlarm(ctx, alarm("b", open, alert.Resolved, t0), []alert.Letter{alive}))

	m, err := s.Maintain(ctx, Retention{})
	require.NoError(t, err)
	assert.Equal(t, Maintained{}, m, "nothing is due yet")

	now = t0.Add(500 * 24 * time.Hour)
	before, err := s.Curve(ctx, id, 100)
	require.NoError(t, err)
	m, err = s.Maintain(ctx, Retention{})
	require.NoError(t, err)
	assert.Equal(t, Maintained{Thinned: 1, Letters: 1}, m)
	rows := collect(t, s, id)
	assert.Less(t, len(rows), 160)
	assert.Greater(t, len(rows), 100)
	assert.Contains(t, fmt.Sprintf("%+v", rows), fmt.Sprintf("%+v", rounded(peak)), "the peak and the fold stay")
	for _, l := range []string{"waiting", "alive"} {
		_, err := s.letter(ctx, l)
		require.NoError(t, err, l)
	}
	after, err := s.Curve(ctx, id, 100)
	require.NoError(t, err)
	assert.Equal(t, before, after, "charts of several rises do not change")
	m, err = s.Maintain(ctx, Retention{})
	require.NoError(t, err)
	assert.Equal(t, Maintained{}, m, "a second pass finds nothing")
}

func TestHoursAgreeWithTheSamples(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	start := t0.Add(20 * time.Minute)
	id := begin(t, s, "tub", start)
	type sum struct{ n, low, high, total, dough float64 }
	want := map[time.Time]*sum{}
	for i := range 1000 {
		r := invented(start, i)
		if i%50 == 3 {
			r.RisePercent, r.DoughC = math.NaN(), math.NaN()
		}
		require.NoError(t, s.AppendRow(id, r))
		h := r.Time.Truncate(time.Hour)
		if want[h] == nil {
			want[h] = &sum{low: math.Inf(1), high: math.Inf(-1)}
		}
		if r = rounded(r); !math.IsNaN(r.RisePercent) {
			w := want[h]
			w.n, w.total, w.dough = w.n+1, w.total+r.RisePercent, w.dough+r.DoughC
			w.low, w.high = min(w.low, r.RisePercent), max(w.high, r.RisePercent)
		}
	}
	require.NoError(t, s.EndRise(ctx, Rise{ID: id, Vessel: "tub", StartedAt: start, EndedAt: start.Add(3 * time.Hour)}))
	hours, err := s.Hours(ctx, id)
	require.NoError(t, err)
	require.Len(t, hours, len(want))
	for _, h := range hours {
		w := want[h.Start]
		assert.Equal(t, w.low, h.MinPercent)
		assert.Equal(t, w.high, h.MaxPercent)
		assert.InDelta(t, w.total/w.n, h.MeanPercent, 0.0006)
		assert.InDelta(t, w.dough/w.n, h.MeanDoughC, 0.0006)
		assert.True(t, math.IsNaN(h.MeanAirC) == false)
	}

	curve, err := s.Curve(ctx, id, 60)
	require.NoError(t, err)
	assert.LessOrEqual(t, len(curve), 60)
	samples, err := s.sampleCurve(ctx, id, 60)
	require.NoError(t, err)
	assert.InDelta(t, samples[len(samples)-1].EquivHours, curve[len(curve)-1].EquivHours, 0.1)
	for i := 1; i < len(curve); i++ {
		assert.True(t, curve[i-1].Time.Before(curve[i].Time))
		assert.LessOrEqual(t, curve[i-1].EquivHours, curve[i].EquivHours)
	}
}
