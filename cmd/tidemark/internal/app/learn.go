package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/history"
)

// LearnedPrefix is where the settings keep what past rises taught, by vessel and
// rise.
const LearnedPrefix = "learned/"

// teachSamples bounds the samples from which one rise teaches.
const teachSamples = 400

// taughtLate bounds the rises of a vessel that teach after the fact: each costs seconds
// on a small machine.
const taughtLate = 8

// feedsKnown is how many past feeds are looked at.
const feedsKnown = 30

// lesson is what one finished rise taught, as it is stored.
type lesson struct {
	At     time.Time       `json:"at"`
	Params forecast.Params `json:"params"`
	Batch  *bake.Batch     `json:"batch,omitempty"`
	Warmer *float64        `json:"warmer_c,omitempty"` // than the dough that was planned; nil when none was
}

// learnKey is the setting of one rise.
func learnKey(vessel string, rise int64) string {
	return fmt.Sprintf("%s%s/%d", LearnedPrefix, vessel, rise)
}

// sensorKey is where it is kept what was learnt of a vessel's distance sensor.
func sensorKey(vessel string) string { return "sensor/" + vessel }

// learned reads what the past rises of a vessel teach. What cannot be read is logged
// and left out.
func (a *App) learned(ctx context.Context, v *vessel) bake.Learned {
	var out bake.Learned
	if a.opt.Store == nil {
		return out
	}
	all, err := a.opt.Store.Settings().List(ctx, LearnedPrefix+v.config.Name+"/")
	if err != nil {
		a.log.Warn("what past rises taught cannot be read", "vessel", v.config.Name, "error", err)
	}
	var past []bake.Past
	for key, body := range all {
		var l lesson
		if err := json.Unmarshal(body, &l); err != nil {
			a.log.Warn("what a past rise taught cannot be read", "setting", key, "error", err)
			continue
		}
		past = append(past, pastOf(l))
	}
	slices.SortFunc(past, func(x, y bake.Past) int { return x.At.Compare(y.At) })
	prior := bake.Learn(v.config.Holds, past, v.nextPast())
	out.Prior = &prior
	var sensor estimator.Sensor
	if body, err := a.opt.Store.Settings().Get(ctx, sensorKey(v.config.Name)); err == nil && json.Unmarshal(body, &sensor) == nil {
		out.Sensor = &sensor
	}
	if v.config.Holds == estimator.Starter {
		if out.Feeds, err = readFeeds(ctx, a.opt.Store, v.config.Name, true); err != nil {
			a.log.Warn("the past feeds cannot be read whole", "vessel", v.config.Name, "error", err)
		}
		out.Findings = bake.Diagnose(out.Feeds)
	}
	return out
}

// pastOf turns a stored lesson into what bake learns from.
func pastOf(l lesson) bake.Past {
	if l.Batch == nil {
		return bake.Past{At: l.At, Params: l.Params, SaltPercent: math.NaN()}
	}
	return bake.PastOf(l.At, l.Params, *l.Batch)
}

// nextPast describes the rise to come, for the levain and salt of its batch.
func (v *vessel) nextPast() bake.Past {
	if v.config.Batch == nil {
		return bake.Past{SaltPercent: math.NaN()}
	}
	return bake.PastOf(time.Time{}, forecast.Params{}, *v.config.Batch)
}

// riseEnded learns, beside the watch, from a rise that has ended, just now or, imported,
// long ago.
func (a *App) riseEnded(ctx context.Context, vessel string, riseID int64, justEnded bool) {
	if a.opt.Store == nil || a.cancel == nil || a.vessels[vessel] == nil {
		return
	}
	a.work.Go(func() { a.teach(context.WithoutCancel(ctx), vessel, riseID, justEnded) })
}

// teach fits a finished rise once more, keeps what it taught and lets the vessel
// learn it. Only of one that has just ended the vessel's process says what was planned.
func (a *App) teach(ctx context.Context, vessel string, riseID int64, justEnded bool) {
	v := a.vessels[vessel]
	r, err := a.opt.Store.Rise(ctx, riseID)
	if err != nil {
		a.log.Warn("a finished rise cannot be read", "vessel", vessel, "rise", riseID, "error", err)
		return
	}
	points, err := a.pointsOf(ctx, r)
	if err != nil {
		a.log.Warn("a finished rise cannot be read", "vessel", vessel, "rise", riseID, "error", err)
		return
	}
	params, ok := bake.Teach(r.Holds, points)
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.state.RiseID == riseID {
		return // its end was taken back meanwhile
	}
	if ok {
		l := lesson{At: r.EndedAt, Params: params, Batch: batchOf(r, v.config.Batch)}
		if justEnded {
			l.Warmer = warmerThan(v.state.Process, points)
		}
		a.keepSetting(ctx, learnKey(vessel, riseID), l)
	}
	v.session.Learn(a.learned(ctx, v))
}

// learnLate lets each vessel learn from its newest finished rises that have taught
// nothing yet: imported ones, or those of a version that did not learn. It is done
// beside the watch in a live one, else at once.
func (a *App) learnLate(ctx context.Context) {
	if a.opt.Store == nil {
		return
	}
	learn := func() {
		for _, name := range a.order {
			if err := a.learnLateIn(ctx, name); err != nil {
				a.log.Warn("what earlier rises teach is not known", "vessel", name, "error", err)
			}
		}
	}
	if a.opt.Live {
		a.work.Go(learn)
		return
	}
	learn()
}

// learnLateIn is learnLate for one vessel, until ctx ends.
func (a *App) learnLateIn(ctx context.Context, vessel string) error {
	page, err := a.opt.Store.Rises(ctx, history.Filter{Vessel: vessel, Limit: taughtLate})
	if err != nil {
		return err
	}
	known, err := a.opt.Store.Settings().List(ctx, LearnedPrefix+vessel+"/")
	var forgotten time.Time
	if body, err := a.opt.Store.Settings().Get(ctx, forgottenKey(vessel)); err == nil {
		_ = json.Unmarshal(body, &forgotten) // zero: never
	}
	for _, r := range page.Rises {
		if _, done := known[learnKey(vessel, r.ID)]; !done && r.StartedAt.After(forgotten) && !r.UnderWay() && r.Demo == a.opt.Demo && ctx.Err() == nil {
			a.teach(ctx, vessel, r.ID, false)
		}
	}
	return err
}

// mixedFor is how long after its start a dough is still as warm as it was mixed.
const mixedFor = 20 * time.Minute

// warmerThan returns how much warmer a dough came out than its plan wanted, by the first
// reading of the probe; nil when either is not known.
func warmerThan(p *bake.Process, points []forecast.Point) *float64 {
	if p == nil || p.WantedDoughC() == 0 || len(points) == 0 || points[0].At > mixedFor || math.IsNaN(points[0].DoughC) {
		return nil
	}
	c := points[0].DoughC - p.WantedDoughC()
	return &c
}

// keepSetting keeps something that was learnt.
func (a *App) keepSetting(ctx context.Context, key string, what any) {
	body, err := json.Marshal(what)
	if err == nil {
		err = a.opt.Store.Settings().Set(ctx, key, body)
	}
	if err != nil {
		a.log.Warn("what was learnt is not kept", "setting", key, "error", err)
	}
}

// batchOf is the batch a rise was made with: as it was kept, since a plan may take
// less levain than the vessel's own.
func batchOf(r bake.Rise, own *bake.Batch) *bake.Batch {
	if b := r.Mixed(); b != nil && own != nil {
		return b
	}
	return own
}

// pointsOf returns the believed levels of a rise up to its peak, in volumes of the
// start.
func (a *App) pointsOf(ctx context.Context, r bake.Rise) ([]forecast.Point, error) {
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

// forgottenKey is where it is kept until when the rises of a vessel teach nothing.
func forgottenKey(vessel string) string { return "forgotten/" + vessel }

// Taught returns of how many past rises each vessel has learned.
func (a *App) Taught(ctx context.Context) (map[string]int, error) {
	out := map[string]int{}
	for _, name := range a.order {
		all, err := a.opt.Store.Settings().List(ctx, LearnedPrefix+name+"/")
		if err != nil {
			return nil, err
		}
		if len(all) > 0 {
			out[name] = len(all)
		}
	}
	return out, nil
}

// Unlearn forgets what the past rises of a vessel taught, and what is known of its
// sensor: after another flour, starter or sensor. Only rises to come teach then.
func (a *App) Unlearn(ctx context.Context, name string) error {
	v, err := a.vessel(name)
	if err != nil {
		return err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	settings := a.opt.Store.Settings()
	now, _ := json.Marshal(a.opt.Clock.Now()) // a time within the calendar has no error
	if err := settings.Set(ctx, forgottenKey(name), now); err != nil {
		return err
	}
	all, err := settings.List(ctx, LearnedPrefix+name+"/")
	for key := range all {
		err = errors.Join(err, settings.Delete(ctx, key))
	}
	err = errors.Join(err, settings.Delete(ctx, sensorKey(name)))
	v.session.Learn(a.learned(ctx, v))
	a.updates.notify()
	return err
}

// forget removes what a rise taught whose end was taken back. v.mu is held.
func (a *App) forget(ctx context.Context, v *vessel, riseID int64) {
	if a.opt.Store == nil {
		return
	}
	if err := a.opt.Store.Settings().Delete(ctx, learnKey(v.config.Name, riseID)); err != nil {
		a.log.Warn("what a rise taught is not forgotten", "rise", riseID, "error", err)
	}
	v.session.Learn(a.learned(ctx, v))
}

// readFeeds reads the past feeds of the starter in a vessel, oldest first; invented
// ones only when demo. An error comes with what could be read.
func readFeeds(ctx context.Context, s *history.Store, vessel string, demo bool) ([]bake.PastFeed, error) {
	page, err := s.Rises(ctx, history.Filter{Vessel: vessel, Limit: feedsKnown + 1})
	if err != nil {
		return nil, err
	}
	rises := slices.DeleteFunc(slices.Clone(page.Rises), func(r bake.Rise) bool { return r.Holds != estimator.Starter || r.Demo && !demo })
	slices.Reverse(rises)
	cold := map[int64]time.Time{}
	for _, r := range rises {
		events, e := s.Events(ctx, r.ID)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("what was done in rise %d: %w", r.ID, e))
			continue
		}
		cold[r.ID] = bake.ColdSince(events)
	}
	return bake.PastFeeds(rises, cold), err
}
