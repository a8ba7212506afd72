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

// forgottenKey is where it is kept until when the rises of a vessel teach nothing.
func forgottenKey(vessel string) string { return "forgotten/" + vessel }

// learnBeside lets a vessel learn beside the watch, from the rises named too. Stop waits
// for it.
func (a *App) learnBeside(v *vessel, riseIDs ...int64) {
	if a.ctx != nil {
		a.work.Go(func() { a.learn(context.WithoutCancel(a.ctx), v, riseIDs...) })
	}
}

// learn brings what past rises of a vessel taught in line with its history and lets the
// vessel learn it: the newest finished rises, and those named, teach where they have not
// yet (just ended, imported, of a version that did not learn); one whose end was taken
// back taught nothing.
func (a *App) learn(ctx context.Context, v *vessel, riseIDs ...int64) {
	if err := a.teach(ctx, v, riseIDs); err != nil {
		a.log.Warn("what past rises teach is not known whole", "vessel", v.name, "error", err)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.learn()
}

// learn takes over what is kept of the vessel's past rises. v.mu is held.
func (v *vessel) learn() { v.session.Learn(v.app.learned(context.Background(), v)) }

// teach keeps what each rise taught, until watch ends.
func (a *App) teach(watch context.Context, v *vessel, riseIDs []int64) error {
	ctx, settings := context.WithoutCancel(watch), a.opt.Store.Settings()
	page, err := a.opt.Store.Rises(ctx, history.Filter{Vessel: v.name, Limit: taughtLate})
	known, notListed := settings.List(ctx, learnedIn(v.name))
	if err = errors.Join(err, notListed); err != nil {
		return err
	}
	for _, id := range riseIDs {
		r, e := a.opt.Store.Rise(ctx, id)
		if err = errors.Join(err, e); e == nil {
			page.Rises = append(page.Rises, r)
		}
	}
	var forgotten time.Time
	if body, e := settings.Get(ctx, forgottenKey(v.name)); e == nil {
		_ = json.Unmarshal(body, &forgotten) // zero: never
	}
	for _, r := range page.Rises {
		switch _, taught := known[learnKey(v.name, r.ID)]; {
		case watch.Err() != nil:
			return err
		case taught && r.UnderWay():
			err = errors.Join(err, settings.Delete(ctx, learnKey(v.name, r.ID)))
		case !taught && !r.UnderWay() && r.Demo == a.opt.Demo && r.StartedAt.After(forgotten):
			err = errors.Join(err, a.keepLesson(ctx, v, r))
		}
	}
	return err
}

// keepLesson fits a finished rise once more and keeps what it taught. While the
// vessel's process is still that of the rise, it says what was planned.
func (a *App) keepLesson(ctx context.Context, v *vessel, r bake.Rise) error {
	points, err := a.pointsOf(ctx, r)
	if err != nil {
		return err
	}
	v.mu.Lock()
	own, planned := v.config.Batch, v.state.Process
	if v.state.Rise.ID != r.ID {
		planned = nil
	}
	v.mu.Unlock()
	l, ok := bake.LessonOf(r, points, own, planned)
	v.mu.Lock()
	defer v.mu.Unlock()
	if ok && v.state.RiseID != r.ID { // else its end was taken back meanwhile
		a.keepSetting(ctx, learnKey(v.name, r.ID), l)
	}
	return nil
}

// keepSetting keeps something that was learnt or measured.
func (a *App) keepSetting(ctx context.Context, key string, what any) {
	body, err := json.Marshal(what)
	if err == nil {
		err = a.opt.Store.Settings().Set(ctx, key, body)
	}
	if err != nil {
		a.log.Warn("a setting is not kept", "setting", key, "error", err)
	}
}

// learned reads what the past rises of a vessel teach. What cannot be read is logged
// and left out.
func (a *App) learned(ctx context.Context, v *vessel) bake.Learned {
	if a.opt.Untaught {
		return bake.Learned{}
	}
	past, err := readLessons(ctx, a.opt.Store, v.name, func(int64) bool { return true })
	prior := bake.Learn(v.config.Holds, past, v.config.Batch)
	out := bake.Learned{Prior: &prior}
	if v.config.Holds == estimator.Starter {
		var unread error
		out.Feeds, unread = readFeeds(ctx, a.opt.Store, v.name, true)
		out.Findings = bake.Diagnose(out.Feeds)
		err = errors.Join(err, unread)
	}
	if err != nil {
		a.log.Warn("what past rises taught cannot be read whole", "vessel", v.name, "error", err)
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
		sd := row.RiseSD
		if math.IsNaN(sd) || math.IsInf(sd, 0) {
			sd = 1
		}
		points = append(points, forecast.Point{At: row.Time.Sub(r.StartedAt), VolumeL: 1 + row.RisePercent/100, SDL: max(sd, 0.3) / 100, DoughC: row.DoughC})
	}
	return points, nil
}

// Taught returns of how many past rises each vessel has learned.
func (a *App) Taught(ctx context.Context) (map[string]int, error) {
	out := map[string]int{}
	for _, v := range a.order {
		all, err := a.opt.Store.Settings().List(ctx, learnedIn(v.name))
		if err != nil {
			return nil, err
		}
		if len(all) > 0 {
			out[v.name] = len(all)
		}
	}
	return out, nil
}

// Unlearn forgets what the past rises of a vessel taught: after another flour,
// starter or sensor. Rises that begin from then on teach
// again.
func (a *App) Unlearn(ctx context.Context, name string) error {
	v, err := a.hold(name)
	if err != nil {
		return err
	}
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
	v.learn()
	a.updates.notify()
	return err
}
