package page

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// fill puts n invented rises of the given number of samples into a store, one a
// day before the invented Saturday. Every third is a starter; outcomes take
// turns. Samples are evenly spread over eight hours.
func fill(t testing.TB, s *history.Store, n, samples int) []int64 {
	t.Helper()
	var ids []int64
	ctx := context.Background()
	last := time.Date(2026, 3, 13, 12, 0, 0, 0, berlin(t))
	for i := range n {
		id, err := fillOne(ctx, s, i, n, samples, last.AddDate(0, 0, i-n+1))
		require.NoError(t, err)
		ids = append(ids, id)
	}
	require.NoError(t, s.Flush(ctx))
	return ids
}

// batchJSON is an invented batch of 20 % levain.
const batchJSON = `{"name":"Saturday wheat","flours":[{"name":"bread flour","grams":900},{"name":"rye","grams":100,"whole":true}],` +
	`"water_g":680,"levain":{"grams":200,"hydration_percent":100},"salt_g":20,"loaves":2}`

func fillOne(ctx context.Context, s *history.Store, i, n, samples int, start time.Time) (int64, error) {
	warm := 22 + float64(i%5) // mean dough temperature
	speed := math.Exp(0.09 * (warm - 24))
	r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: start, TargetPercent: 100, BaselineL: 1.4, Phase: estimator.Ended,
		MeanDoughC: warm, MaxRate: 29 * speed, CeilingPercent: 129, Batch: []byte(batchJSON), EquivHours: 8 * speed,
		PeakPercent: math.NaN(), PeakEquivHours: math.NaN(), ReachedEquivHours: math.NaN()}
	if i%3 == 1 {
		r.Vessel, r.Holds, r.Batch = "jar", estimator.Starter, nil
		r.TargetPercent, r.PeakPercent, r.PeakAt = 80, 128, start.Add(7*time.Hour)
		r.PeakEquivHours = 8 - 3*float64(i)/float64(n)
	}
	id, err := s.BeginRise(ctx, r, nil)
	if err != nil {
		return 0, err
	}
	r.ID = id
	for k := range samples {
		at := start.Add(8 * time.Hour * time.Duration(k) / time.Duration(samples))
		h := at.Sub(start).Hours()
		row := bake.Recorded{Time: at, RisePercent: rise(h * speed), RiseSD: 1.1, DoughC: warm + 0.4*math.Sin(h), AirC: warm - 2, EquivHours: h * speed}
		row.DistanceMM = 200 - row.RisePercent*0.5
		if k%50 == 40 {
			row.Rejected, row.DistanceMM = "jump", row.DistanceMM-12
		}
		if row.RisePercent >= r.TargetPercent && r.ReachedAt.IsZero() {
			r.ReachedAt, r.ReachedEquivHours = at, h*speed
		}
		if err := s.AppendRow(id, row); err != nil {
			return 0, err
		}
	}
	for k, kind := range strings.Fields("start fold fold") {
		if _, err := s.AddEvent(ctx, bake.Event{RiseID: id, At: start.Add(time.Duration(k) * 45 * time.Minute), Kind: bake.EventKind(kind), By: "page"}); err != nil {
			return 0, err
		}
	}
	r.EndedAt = start.Add(8 * time.Hour)
	if err := s.UpdateRise(ctx, r); err != nil {
		return 0, err
	}
	note := ""
	if i%4 == 0 {
		note = "open crumb, a little sticky"
	}
	return id, s.JudgeRise(ctx, id, bake.Judgement{Outcome: []string{"right", "under", "right", "over", ""}[i%5], OvenSpring: "good", Note: note})
}
