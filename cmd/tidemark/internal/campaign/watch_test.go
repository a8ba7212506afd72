package campaign

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/demo"
	"tidemark/history"
	"tidemark/sensor"
	"tidemark/sensor/sensortest/virtual"
	"tidemark/web"
)

// This file alone knows how a watch is wired, fed, asked and read afterwards.

// historyFile is the name of the history in its folder.
const historyFile = "tidemark.db"

// watch is tidemark over a folder, on a computer whose boot clock goes on with the kitchen
// and whose wall clock may be set: it goes by them as the live one does.
type watch struct {
	app   *app.App
	store *history.Store
	clock *app.Steady
	zone  *time.Location

	mu      sync.Mutex
	booted  time.Time // all by the kitchen's time
	kitchen time.Time
	ahead   time.Duration // the wall, of the kitchen
}

// openWatch starts a watch of the story's vessels on a computer that was started a moment
// before, its wall clock so far ahead of the kitchen.
func openWatch(dir string, story virtual.Scenario, at time.Time, ahead time.Duration, zone *time.Location, routes []alert.Route) *watch {
	w := &watch{zone: zone, booted: at.Add(-5 * time.Second), kitchen: at, ahead: ahead}
	w.clock = app.NewSteadyOf(w.wall, func() time.Duration {
		w.mu.Lock()
		defer w.mu.Unlock()
		return w.kitchen.Sub(w.booted)
	})
	cfg := ok(demo.Config(dir, "", story))
	cfg.Household.Zone = zone
	// The machine's own clock must not flush: the kitchen's does, see keep.
	w.store = ok(history.Open(context.Background(), filepath.Join(dir, historyFile), history.Options{Now: w.wall, FlushEvery: 24 * time.Hour}))
	var err error
	if w.app, err = app.New(app.Options{Config: cfg, Clock: w.clock, Store: w.store, Demo: true, StartTold: true, Routes: routes,
		Timesync: filepath.Join(dir, "no-time-client")}); err == nil { // not that of this machine
		err = w.app.Start(context.Background())
	}
	if err != nil {
		must(errors.Join(err, w.store.Close(context.Background())))
	}
	return w
}

// wall reads the wall clock.
func (w *watch) wall() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.kitchen.Add(w.ahead).In(w.zone)
}

// set lets the computer run on to a moment of the kitchen.
func (w *watch) set(kitchen time.Time, ahead time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.kitchen, w.ahead = kitchen, ahead
}

// close ends the watch in order.
func (w *watch) close() {
	must(errors.Join(w.app.Stop(context.Background()), w.store.Close(context.Background())))
}

// observe hands over the readings of one vessel.
func (w *watch) observe(vessel string, height, dough, air sensor.Reading) {
	w.app.Observe(vessel, app.SampleOf(w.clock.Now(), height, dough, air))
}

// advance moves the watch on as the live loop does and returns what was raised.
func (w *watch) advance() []alert.Alarm {
	w.app.FollowClock(context.Background())
	return w.app.Advance(w.clock.Now())
}

// keep flushes. A disk that takes nothing is the watch's affair: it holds on to the
// rows and says so.
func (w *watch) keep() { _ = w.store.Flush(context.Background()) }

// act tells what a person did, as the page would; id is that of an alarm. It returns
// false when that makes no sense any more.
func (w *watch) act(kind, vessel, id string) bool {
	const household = "invented household"
	var err error
	if kind == "ack" {
		err = w.app.Answer(context.Background(), id, household, 0)
	} else {
		err = w.app.Do(context.Background(), bake.Event{Kind: bake.EventKind(kind), Vessel: vessel, By: household})
	}
	var refused web.Refusal
	if errors.As(err, &refused) {
		return false
	}
	must(err)
	return true
}

// shows says whether the page lists an event of a kind since a moment.
func (w *watch) shows(kind, vessel string, since time.Time) bool {
	return slices.ContainsFunc(w.vessel(vessel).Events, func(x bake.Event) bool { return string(x.Kind) == kind && !x.At.Before(since) })
}

func (w *watch) vessel(name string) web.Vessel {
	all := w.app.Snapshot().Vessels
	return all[slices.IndexFunc(all, func(v web.Vessel) bool { return v.Vessel == name })]
}

// tell sends what is due.
func (w *watch) tell() { must(w.app.TellOnce(context.Background())) }

// unsent counts the notifications that wait or failed.
func (w *watch) unsent() int {
	n := ok(w.store.NotificationCounts(context.Background()))
	return n[alert.Waiting] + n[alert.Failed]
}

// lastRows gives the last stored reading of each rise under way; the zero time where only
// the start is there: it may have been noticed just now, and dated back.
func lastRows(s *history.Store) map[string]time.Time {
	out := map[string]time.Time{}
	for _, r := range ok(s.OpenRises(context.Background())) {
		out[r.Vessel] = time.Time{}
		for _, row := range ok(s.Rows(context.Background(), r.ID, time.Time{}, time.Time{})) {
			out[r.Vessel] = row.Time
		}
	}
	return out
}

// afterCut opens what a power cut has left and looks at the rises under way.
func afterCut(dir string, now time.Time) (last map[string]time.Time, setAside bool) {
	s := ok(history.Open(context.Background(), filepath.Join(dir, historyFile), history.Options{Now: func() time.Time { return now }, FlushEvery: 24 * time.Hour}))
	last, setAside = lastRows(s), s.Opened().Quarantine != ""
	must(s.Close(context.Background()))
	return last, setAside
}

// record is what the history holds of one rise.
type record struct {
	vessel  string
	started time.Time
	rows    []time.Time
	alarms  []alert.Alarm
}

// records reads the history in a folder beside a service, or after it.
func records(dir string) []record {
	ctx := context.Background()
	s := ok(history.Open(ctx, filepath.Join(dir, historyFile), history.Options{ReadOnly: true}))
	var out []record
	for _, r := range ok(s.Rises(ctx, history.Filter{Limit: 500})).Rises {
		rec := record{vessel: r.Vessel, started: r.StartedAt, alarms: ok(s.Alarms(ctx, r.ID))}
		for _, row := range ok(s.Rows(ctx, r.ID, time.Time{}, time.Time{})) {
			rec.rows = append(rec.rows, row.Time)
		}
		out = append(out, rec)
	}
	must(s.Close(ctx))
	return out
}
