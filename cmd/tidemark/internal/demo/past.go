package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"tidemark/bake"
	"tidemark/history"
)

// loaf is an invented loaf of the past: its doubling time, where its bulk was ended,
// and how it was.
type loaf struct {
	daysAgo     int
	doubleHours float64
	endPercent  float64
	doughC      float64
	outcome     string
	note        string
}

// loaves are a dozen invented loaves, oldest first. The household has found its mark
// by and by: too early at first, then twice too late, then right.
func loaves() []loaf {
	return []loaf{
		{61, 6.4, 62, 22.1, "under", "tight crumb, tore at the side"},
		{54, 6.1, 70, 22.4, "under", "dense at the bottom"},
		{47, 5.6, 84, 23.2, "right", ""},
		{43, 5.2, 118, 24.6, "over", "spread on the stone"},
		{40, 5.0, 122, 25.1, "over", "sticky, flat"},
		{33, 5.5, 98, 23.6, "right", "good ear"},
		{29, 5.8, 96, 23.0, "right", ""},
		{26, 5.3, 101, 24.1, "right", "best so far"},
		{19, 6.0, 88, 22.6, "right", ""},
		{15, 5.4, 104, 24.0, "right", ""},
		{12, 5.1, 112, 24.8, "over", "a little flat"},
		{5, 5.4, 114, 24.1, "over", "sticky at the base"},
	}
}

// keepLoaves puts the invented loaves into an empty history.
func keepLoaves(ctx context.Context, store *history.Store, day time.Time, seed uint64) error {
	there, err := store.Rises(ctx, history.Filter{Limit: 1})
	if err != nil || len(there.Rises) > 0 {
		return err
	}
	rnd := rand.New(rand.NewPCG(seed, 12))
	for _, l := range loaves() {
		began := time.Date(day.Year(), day.Month(), day.Day()-l.daysAgo, 11, 40+rnd.IntN(20), 0, 0, day.Location())
		r := bake.Rise{Vessel: doughTub, Holds: "dough", StartedAt: began, BaselineL: 1.9, TargetPercent: 100, PeakPercent: l.endPercent, Phase: "ended", Demo: true}
		var rows []bake.Recorded // one a minute, as an invented sensor saw it
		for m := 0; l.percent(float64(m)/60) < l.endPercent; m++ {
			at, h := began.Add(time.Duration(m)*time.Minute), float64(m)/60
			p := l.percent(h) + 0.6*rnd.NormFloat64()
			rows = append(rows, bake.Recorded{Time: at, DistanceMM: 238 - 1.05*(80+0.8*p), RisePercent: p, RiseSD: 0.8,
				DoughC: l.doughC + 0.2*math.Sin(h), AirC: l.doughC - 1.1, EquivHours: h})
			if l.percent(h) < 100 && l.endPercent >= 100 {
				r.ReachedAt = at
			}
			r.EndedAt, r.PeakAt, r.PhaseSince = at, at, at
		}
		id, err := store.ImportRise(ctx, r, rows)
		if err == nil {
			err = store.JudgeRise(ctx, id, bake.Judgement{Outcome: l.outcome, Note: l.note})
		}
		if err != nil {
			return fmt.Errorf("an invented loaf of the past was not kept: %w", err)
		}
	}
	return nil
}

// percent is the invented rise h hours after the start: logistic, doubled after
// doubleHours.
func (l loaf) percent(h float64) float64 {
	const most, steep = 150.0, 1.2
	at := func(h float64) float64 { return most / (1 + math.Exp(-(h-l.doubleHours+steep*math.Ln2)/steep)) }
	return (at(h) - at(0)) * 100 / (at(l.doubleHours) - at(0))
}
