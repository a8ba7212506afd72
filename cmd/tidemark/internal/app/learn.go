package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
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

// learnedIn is what the settings begin with that keep what rises of a vessel taught.
func learnedIn(vessel string) string { return LearnedPrefix + vessel + "/" }

// learnKey is the setting of one rise.
func learnKey(vessel string, rise int64) string {
	return learnedIn(vessel) + strconv.FormatInt(rise, 10)
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
	past, err := readLessons(ctx, a.opt.Store, v.config.Name, func(int64) bool { return true })
	if err != nil {
		a.log.Warn("what past rises taught cannot be read whole", "vessel", v.config.Name, "error", err)
	}
	prior := bake.Learn(v.config.Holds, past, v.config.Batch)
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

// readLessons reads what the past rises of a vessel taught, oldest first, or those of all
// vessels when it is empty; of the wanted rises only. An error comes with what could be
// read.
func readLessons(ctx context.Context, s *history.Store, vessel string, wanted func(riseID int64) bool) ([]bake.Lesson, error) {
	prefix := LearnedPrefix
	if vessel != "" {
		prefix = learnedIn(vessel)
	}
	all, err := s.Settings().List(ctx, prefix)
	var out []bake.Lesson
	for key, body := range all {
		id, e := strconv.ParseInt(key[strings.LastIndex(key, "/")+1:], 10, 64)
		var l bake.Lesson
		if e == nil {
			e = json.Unmarshal(body, &l)
		}
		switch {
		case e != nil:
			err = errors.Join(err, fmt.Errorf("%s: %w", key, e))
		case wanted(id):
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(x, y bake.Lesson) int { return x.At.Compare(y.At) })
	return out, err
}

// riseEnded learns, beside the watch, from a rise that has ended, just now or, imported,
// long ago.
func (a *App) riseEnded(ctx context.Context, vessel string, riseID int64, justEnded bool) {
	if a.opt.Store == nil || a.cancel == nil || a.vessels[vessel] == nil {
		return
	}
	a.work.Go(func() { a.teach(context.WithoutCancel(ctx), vessel, riseID, justEnded) })
}

// teach keeps what a finished rise taught and lets the vessel learn it.
func (a *App) teach(ctx context.Context, vessel string, riseID int64, justEnded bool) {
	a.keepLesson(ctx, vessel, riseID, justEnded)
	a.relearn(ctx, vessel)
}

// relearn lets a vessel learn what is kept of its past rises.
func (a *App) relearn(ctx context.Context, vessel string) {
	v := a.vessels[vessel]
	v.mu.Lock()
	defer v.mu.Unlock()
	v.session.Learn(a.learned(ctx, v))
}

// keepLesson fits a finished rise once more and keeps what it taught. Only of one that
// has just ended the vessel's process says what was planned.
func (a *App) keepLesson(ctx context.Context, vessel string, riseID int64, justEnded bool) {
	v := a.vessels[vessel]
	r, err := a.opt.Store.Rise(ctx, riseID)
	var points []forecast.Point
	if err == nil {
		points, err = a.pointsOf(ctx, r)
	}
	if err != nil {
		a.log.Warn("a finished rise cannot be read", "vessel", vessel, "rise", riseID, "error", err)
		return
	}
	v.mu.Lock()
	own, planned := v.config.Batch, v.state.Process
	v.mu.Unlock()
	if !justEnded {
		planned = nil
	}
	l, ok := bake.LessonOf(r, points, own, planned)
	v.mu.Lock()
	defer v.mu.Unlock()
	if ok && v.state.RiseID != riseID { // else its end was taken back meanwhile
		a.keepSetting(ctx, learnKey(vessel, riseID), l)
	}
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
	known, err := a.opt.Store.Settings().List(ctx, learnedIn(vessel))
	var forgotten time.Time
	if body, err := a.opt.Store.Settings().Get(ctx, forgottenKey(vessel)); err == nil {
		_ = json.Unmarshal(body, &forgotten) // zero: never
	}
	taught := false
	for _, r := range page.Rises {
		if _, done := known[learnKey(vessel, r.ID)]; !done && r.StartedAt.After(forgotten) && !r.UnderWay() && r.Demo == a.opt.Demo && ctx.Err() == nil {
			a.keepLesson(ctx, vessel, r.ID, false)
			taught = true
		}
	}
	if taught {
		a.relearn(ctx, vessel)
	}
	return err
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
		all, err := a.opt.Store.Settings().List(ctx, learnedIn(name))
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
// sensor: after another flour, starter or sensor. Rises that end from then on teach again.
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
	all, err := settings.List(ctx, learnedIn(name))
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
