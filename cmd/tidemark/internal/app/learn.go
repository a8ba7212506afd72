package app

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator/forecast"
	"tidemark/history"
)

// learnedPrefix is where the settings keep what past rises taught, by vessel and
// rise.
const learnedPrefix = "learned/"

// teachSamples bounds the samples from which one rise teaches.
const teachSamples = 400

// learned is what one finished rise taught, as it is stored.
type learned struct {
	At     time.Time       `json:"at"`
	Params forecast.Params `json:"params"`
	Batch  *bake.Batch     `json:"batch,omitempty"`
}

// learnKey is the setting of one rise.
func learnKey(vessel string, rise int64) string {
	return fmt.Sprintf("%s%s/%d", learnedPrefix, vessel, rise)
}

// applyLearned gives a vessel's estimator the prior that its past rises teach,
// without any the published one. The pipe is locked.
func (a *App) applyLearned(ctx context.Context, p *pipe) {
	if a.opt.Store == nil {
		return
	}
	all, err := a.opt.Store.Settings().List(ctx, learnedPrefix+p.vessel.Name+"/")
	if err != nil {
		a.log.Warn("what past rises taught cannot be read", "vessel", p.vessel.Name, "error", err)
		return
	}
	var past []bake.Past
	for key, body := range all {
		var l learned
		if err := json.Unmarshal(body, &l); err != nil {
			a.log.Warn("what a past rise taught cannot be read", "setting", key, "error", err)
			continue
		}
		past = append(past, pastOf(l))
	}
	slices.SortFunc(past, func(x, y bake.Past) int { return x.At.Compare(y.At) })
	prior := bake.Learn(p.vessel.Holds, past, p.nextPast())
	p.prior = &prior
	p.est.SetPrior(prior)
}

// pastOf turns a stored lesson into what bake learns from.
func pastOf(l learned) bake.Past {
	if l.Batch == nil {
		return bake.Past{At: l.At, Params: l.Params, SaltPercent: math.NaN()}
	}
	return bake.PastOf(l.At, l.Params, *l.Batch)
}

// nextPast describes the rise to come, for the levain and salt of its batch.
func (p *pipe) nextPast() bake.Past {
	if p.vessel.Batch == nil {
		return bake.Past{SaltPercent: math.NaN()}
	}
	return bake.PastOf(time.Time{}, forecast.Params{}, *p.vessel.Batch)
}

// teach fits a finished rise once more and keeps what it taught.
func (a *App) teach(ctx context.Context, r history.Rise) {
	points, err := a.pointsOf(ctx, r)
	if err != nil {
		a.log.Warn("a finished rise cannot be read", "vessel", r.Vessel, "rise", r.ID, "error", err)
		return
	}
	params, ok := bake.Teach(r.Holds, points)
	if !ok {
		return
	}
	p := a.pipes[r.Vessel]
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.rise.ID == r.ID {
		return // its end was taken back meanwhile
	}
	body, err := json.Marshal(learned{r.EndedAt, params, batchOf(r, p.vessel.Batch)})
	if err == nil {
		err = a.opt.Store.Settings().Set(ctx, learnKey(r.Vessel, r.ID), body)
	}
	if err != nil {
		a.log.Warn("what a rise taught is not kept", "vessel", r.Vessel, "rise", r.ID, "error", err)
		return
	}
	a.applyLearned(ctx, p)
}

// batchOf is the batch a rise was made with: as it was kept, since a plan may take
// less levain than the vessel's own.
func batchOf(r history.Rise, own *bake.Batch) *bake.Batch {
	b := new(bake.Batch)
	if own == nil || json.Unmarshal(r.Batch, b) != nil || b.Validate() != nil {
		return own
	}
	return b
}

// pointsOf returns the believed levels of a rise up to its peak, in volumes of
// the start.
func (a *App) pointsOf(ctx context.Context, r history.Rise) ([]forecast.Point, error) {
	rows, err := a.opt.Store.ThinRows(ctx, r.ID, r.StartedAt, r.EndedAt, teachSamples)
	if err != nil {
		return nil, err
	}
	var points []forecast.Point
	for _, row := range rows {
		if math.IsNaN(row.RisePercent) || row.Rejected != "" || (!r.PeakAt.IsZero() && row.Time.After(r.PeakAt)) {
			continue
		}
		points = append(points, forecast.Point{
			At: row.Time.Sub(r.StartedAt), VolumeL: 1 + row.RisePercent/100,
			SDL: max(finiteOr(row.RiseSD, 1), 0.3) / 100, DoughC: row.DoughC,
		})
	}
	return points, nil
}

// forget removes what a rise taught whose end was taken back.
func (a *App) forget(ctx context.Context, p *pipe, rise int64) error {
	err := a.opt.Store.Settings().Delete(ctx, learnKey(p.vessel.Name, rise))
	a.applyLearned(ctx, p)
	a.learnFeeds(ctx, p)
	return err
}
