// Package page tests the page, the API and the metrics on the real App: an invented
// kitchen on a clock that is set by hand, asked over HTTP, without scripts and in a
// browser.
package page

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// vessels are those of the invented kitchen: a tub of dough, a jar of starter and a
// basket.
const vessels = `
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    batch: {name: Saturday wheat, flours: [{name: bread flour, grams: 900}, {name: rye, grams: 100, whole: true}], water_g: 680, levain: {grams: 200, hydration_percent: 100}, salt_g: 20, loaves: 2}
  - name: jar
    holds: starter
    floor_mm: 200
    target_percent: 80
    profile: {shape: straight, diameter_mm: 85, height_mm: 180}
    feed: {starter_g: 20, flour_g: 40, water_g: 40}
  - name: basket
    holds: dough
    floor_mm: 200
    target_percent: 80
    profile: {shape: straight, diameter_mm: 160, height_mm: 150}
`

// The households of the tests.
const (
	berliners = "household: {time_zone: Europe/Berlin}" + vessels
	germans   = "household: {time_zone: Europe/Berlin, language: de}" + vessels
	americans = "household: {time_zone: America/Chicago, clock: 12h, temperature: fahrenheit}" + vessels
)

// kitchen is the program over an invented kitchen. Nothing in it was measured.
type kitchen struct {
	t     testing.TB
	app   *app.App
	clock *app.Stepped
	store *history.Store
	blind map[string]bool // vessels that are not seen
	hot   float64         // the dough's temperature where it is not the usual; 0 for that
	start time.Time       // of the dough
}

// openKitchen starts the program over an empty history, on an invented Saturday some time
// after noon by the clock of Berlin. Without a page of its own it tells nobody.
func openKitchen(t testing.TB, household string, page bool, after time.Duration) *kitchen {
	t.Helper()
	cfg, err := config.Parse("kitchen.yaml", []byte(household), config.WithoutSensors)
	require.NoError(t, err)
	ctx := context.Background()
	k := &kitchen{t: t, clock: &app.Stepped{}, blind: map[string]bool{}, start: time.Date(2026, 3, 14, 11, 0, 0, 0, time.UTC).In(cfg.Household.Zone)}
	k.clock.Set(k.start.Add(after))
	k.store, err = history.Open(ctx, filepath.Join(t.TempDir(), "tidemark.db"), history.Options{Now: k.clock.Now})
	require.NoError(t, err)
	o := app.Options{Config: cfg, Clock: k.clock, Store: k.store, StartTold: true, Version: "test"}
	if page {
		o.Listen = "127.0.0.1:0"
	}
	k.app, err = app.New(o)
	require.NoError(t, err)
	require.NoError(t, k.app.Start(ctx))
	t.Cleanup(func() { require.NoError(t, errors.Join(k.app.Stop(ctx), k.store.Close(ctx))) })
	return k
}

// rise is the invented curve of the dough in percent, h hours after the start.
func rise(h float64) float64 {
	at := func(h float64) float64 { return 130 / (1 + math.Exp(-(h-5)/1.1)) }
	return at(math.Max(h, 0)) - at(0)
}

// risen is a kitchen in which the starter was fed at 10:30 and the dough came into the
// tub at 12:00; it is 17:20, the jar was last seen at 17:00.
func risen(t testing.TB, household string, page bool) *kitchen {
	t.Helper()
	k := openKitchen(t, household, page, -90*time.Minute)
	k.tell("jar", bake.EventFed)
	k.pass(90 * time.Minute)
	k.tell("tub", bake.EventStart)
	k.pass(5 * time.Hour)
	k.blind["jar"] = true
	k.pass(20 * time.Minute)
	return k
}

// tell enters in the journal what a person did.
func (k *kitchen) tell(vessel string, kind bake.EventKind, more ...bake.Detail) {
	k.t.Helper()
	e := bake.Event{Vessel: vessel, Kind: kind, By: "test"}
	if len(more) > 0 {
		e.Detail = more[0]
	}
	require.NoError(k.t, k.app.Do(context.Background(), e))
}

// told are the kinds of what was told of a vessel and stands, without what the kitchen
// began with.
func (k *kitchen) told(vessel string) string {
	var out []string
	for _, e := range k.app.State(vessel).Events {
		if e.By != "test" && e.By != bake.ByItself {
			out = append(out, string(e.Kind))
		}
	}
	return strings.Join(out, " ")
}

// last is the event of a vessel that was told last.
func (k *kitchen) last(vessel string) bake.Event {
	k.t.Helper()
	events := k.app.State(vessel).Events
	require.NotEmpty(k.t, events)
	return events[len(events)-1]
}

// ready is when the dough will have doubled, as a clock of a form shows it.
func (k *kitchen) ready(form string) string {
	s := k.app.State("tub")
	return s.Estimate.Ready.Median.In(s.At.Location()).Format(form)
}

// riseID is the number of the rise under way, as forms send it.
func (k *kitchen) riseID(vessel string) string { return fmt.Sprint(k.app.State(vessel).RiseID) }

// readEvery is how often the sensors are read.
const readEvery = 2 * time.Minute

// pass lets time pass.
func (k *kitchen) pass(d time.Duration) {
	for until := k.clock.Now().Add(d); k.clock.Now().Before(until); {
		now := k.clock.Now().Add(min(readEvery, until.Sub(k.clock.Now())))
		k.clock.Set(now)
		h := now.Sub(k.start).Hours()
		k.see("tub", now, 240-60*(1+rise(h)/100))
		k.see("jar", now, 200-50*(1+rise(h+3.5)/100))
		k.see("basket", now, 200)
		if now.Minute() == 0 || now.Equal(until) {
			k.app.Advance(now)
		}
	}
}

// passUntil lets time pass until something is so of the tub.
func (k *kitchen) passUntil(so func(bake.State) bool) {
	k.t.Helper()
	for end := k.clock.Now().Add(24 * time.Hour); !so(k.app.State("tub")); k.pass(4 * time.Minute) {
		require.True(k.t, k.clock.Now().Before(end), "it never comes to that: %+v", k.app.State("tub").Now)
	}
}

// see takes one reading in.
func (k *kitchen) see(vessel string, now time.Time, mm float64) {
	if k.blind[vessel] {
		mm = math.NaN()
	}
	dough := math.NaN()
	if vessel == "tub" {
		dough = cmp.Or(k.hot, 24.6)
	}
	k.app.Observe(vessel, estimator.Sample{Time: now, DistanceMM: mm, DoughC: dough, AirC: 21.3})
}

// server is the page of the kitchen, with some of its options changed.
func (k *kitchen) server(change func(*web.Options)) *web.Server {
	k.t.Helper()
	o, err := k.app.WebOptions()
	require.NoError(k.t, err)
	if change != nil {
		change(&o)
	}
	s, err := web.New(o)
	require.NoError(k.t, err)
	k.t.Cleanup(func() { require.NoError(k.t, s.Close()) })
	return s
}

// newServer is the page of a kitchen in which dough and starter rise.
func newServer(t testing.TB, change func(*web.Options)) (*web.Server, *kitchen) {
	t.Helper()
	return newServerOf(t, berliners, change)
}

func newServerOf(t testing.TB, household string, change func(*web.Options)) (*web.Server, *kitchen) {
	t.Helper()
	k := risen(t, household, true)
	return k.server(change), k
}

// idle is the page of a kitchen in which nothing rises, at 17:20.
func idle(t testing.TB, change func(*web.Options)) (*web.Server, *kitchen) {
	t.Helper()
	k := openKitchen(t, berliners, true, 5*time.Hour+20*time.Minute)
	return k.server(change), k
}

// edited shows the kitchen with something changed that no sensor here brings about.
type edited struct {
	web.Live
	edit func(*web.Snapshot)
}

// Snapshot returns the changed state.
func (e edited) Snapshot() web.Snapshot {
	s := e.Live.Snapshot()
	e.edit(&s)
	return s
}

// bread shows a loaf that cools in the tub, a basket that stands for its proof, and a
// starter that is weak.
func bread(s *web.Snapshot) {
	at := func(m int) time.Time { return s.At.Add(time.Duration(m) * time.Minute) }
	tub, jar, basket := &s.Vessels[0].State, &s.Vessels[1].State, &s.Vessels[2].State
	tub.RiseID, tub.Estimate.Phase, tub.Estimate.PhaseSince = 0, estimator.Ended, at(-200)
	tub.After = &bake.After{Stage: bake.Cooling, Since: at(-30), Until: estimator.Window{From: at(50), Median: at(60), Until: at(70)},
		Why: bake.Sentences{{Key: "why.probe"}}, Probe: true, CoreC: 61.2, Done: bake.Core{LowC: 93, BestC: 96, MostC: 98}, DoneAt: at(-40), SliceC: 35,
		Caution: bake.Sentences{{Key: "caution.loaf"}}}
	feed := bake.NewFeed(at(-240), 2, 100, 0)
	jar.Feed = feed.Ratio()
	jar.Care = &bake.Care{Feed: feed, Peak: estimator.Window{From: at(10), Median: at(40), Until: at(90)}, UseFrom: at(5), UseUntil: at(100),
		Hungry: estimator.Window{From: at(200), Median: at(240), Until: at(290)}, NextFeed: at(200), Basis: bake.Sentences{{Key: "why.care.many", Values: bake.Values{"feeds": 4}}}}
	jar.Findings = bake.Diagnose([]bake.PastFeed{weak(feed), weak(feed), weak(feed)})
	basket.ProofOf, basket.ProofBasis = "tub", bake.BasketBasis
	for i := range s.Vessels {
		s.Vessels[i].State = s.Vessels[i].Derived()
	}
}

// weak is an invented feed that did not double at 18 C.
func weak(f bake.Feed) bake.PastFeed {
	return bake.PastFeed{Feed: f, MeanC: 18, PeakHours: 9, PeakPercent: 60, LateHours: math.NaN()}
}
