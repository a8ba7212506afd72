package app

import (
	"cmp"
	"context"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// benchConfig describes one tub.
const benchConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`

// bench is an App on a stepped clock with a store, fed by hand.
type bench struct {
	t      *testing.T
	app    *App
	clock  *Stepped
	store  *history.Store
	start  time.Time
	every  time.Duration // between samples; 0 is 10 s
	raised []alert.Alarm
}

func newBench(t *testing.T) *bench {
	t.Helper()
	return newBenchOf(t, benchConfig, Options{})
}

// newBenchOf is a bench of a configuration on an invented morning; its clock is its own.
func newBenchOf(t *testing.T, text string, o Options) *bench {
	t.Helper()
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	b.clock.Set(b.start)
	o.Clock = b.clock
	b.open(t.TempDir(), text, o, history.Options{Now: b.clock.Now})
	t.Cleanup(b.close)
	return b
}

// open starts the App over a state folder.
func (b *bench) open(dir, text string, o Options, h history.Options) {
	b.t.Helper()
	var err error
	o.Config, err = config.Parse("bench.yaml", []byte(text), config.WithoutSensors)
	require.NoError(b.t, err)
	batch := bake.DefaultBatch()
	o.Config.Vessels[0].Batch = &batch
	o.Config.StateDir = dir
	b.store, err = history.Open(b.t.Context(), filepath.Join(dir, "tidemark.db"), h)
	require.NoError(b.t, err)
	o.Store = b.store
	b.app, err = New(o)
	require.NoError(b.t, err)
	require.NoError(b.t, b.app.Start(b.t.Context()))
}

// close ends the App in order, unless it was.
func (b *bench) close() {
	assert.NoError(b.t, b.app.Stop(context.Background())) // the test's own context may have ended
	if err := b.store.Close(context.Background()); !errors.Is(err, history.ErrClosed) {
		assert.NoError(b.t, err)
	}
}

// again starts a second App on what the first has kept.
func (b *bench) again() *bench {
	b.t.Helper()
	require.NoError(b.t, b.store.Flush(b.t.Context()))
	a, err := New(Options{Config: b.app.opt.Config, Clock: b.clock, Store: b.store})
	require.NoError(b.t, err)
	require.NoError(b.t, a.Start(b.t.Context()))
	b.t.Cleanup(func() { assert.NoError(b.t, a.Stop(context.Background())) })
	return &bench{t: b.t, app: a, clock: b.clock, store: b.store, start: b.start, every: b.every}
}

// pass lets time pass up to a moment, in which the tub's sensors read what see says.
func (b *bench) pass(until time.Time, see func(at time.Time) estimator.Sample) {
	every := cmp.Or(b.every, 10*time.Second)
	for now := b.clock.Now().Add(every); !now.After(until); now = now.Add(every) {
		b.clock.Set(now)
		s := see(now)
		s.Time = now
		b.app.Observe("tub", s)
		b.raised = append(b.raised, b.app.Advance(now)...)
	}
}

// seen is what the sensors read of 60 mm of dough that has risen by so many percent, with
// what stands for noise, the same every time.
func seen(percent float64, at time.Time) estimator.Sample {
	noise := 0.4 * math.Sin(float64(at.Unix()))
	return estimator.Sample{DistanceMM: 240 - 60*(1+percent/100) + noise, DoughC: 24.5, AirC: 23.5}
}

// invented is the true rise of the tests' dough in percent after a time: a
// logistic with its half way at 3.2 h. Invented data.
func invented(since time.Duration) float64 {
	g := func(h float64) float64 { return 165 / (1 + math.Exp((3.2-h)*1.35)) }
	return g(since.Hours()) - g(0)
}

// crossing is when the invented dough doubles.
func crossing() time.Duration {
	for d := time.Duration(0); ; d += time.Second {
		if invented(d) >= 100 {
			return d
		}
	}
}

// run feeds the invented rise up to a time after the start.
func (b *bench) run(until time.Duration) { b.rising(b.start, b.start.Add(until), 1) }

// rising feeds the invented rise, slowed by a factor, of a dough that went into the
// tub at a moment.
func (b *bench) rising(since, until time.Time, slow float64) {
	b.pass(until, func(at time.Time) estimator.Sample {
		return seen(invented(time.Duration(float64(at.Sub(since))/slow)), at)
	})
}

// blind lets the watch go on for a while in which all sensors but that of the height
// answer.
func (b *bench) blind(d time.Duration) {
	b.pass(b.clock.Now().Add(d), func(at time.Time) estimator.Sample { return seen(nan(), at) })
}

// kindsOf lists the kinds of alarms in order.
func kindsOf(all []alert.Alarm) []alert.Kind {
	var out []alert.Kind
	for _, a := range all {
		out = append(out, a.Kind)
	}
	return out
}

// alarmOf finds the first alarm of a kind.
func alarmOf(t *testing.T, all []alert.Alarm, kind alert.Kind) alert.Alarm {
	t.Helper()
	i := slices.Index(kindsOf(all), kind)
	require.GreaterOrEqual(t, i, 0, "no %s among %v", kind, kindsOf(all))
	return all[i]
}

// do tells what a person did.
func (b *bench) do(kind bake.EventKind, more ...bake.Detail) {
	b.t.Helper()
	require.NoError(b.t, b.tell(kind, more...))
}

// tell tells what a person did, which may be refused.
func (b *bench) tell(kind bake.EventKind, more ...bake.Detail) error {
	e := bake.Event{Vessel: "tub", By: "test", Kind: kind}
	if len(more) > 0 {
		e.Detail = more[0]
	}
	return b.app.Do(b.t.Context(), e)
}

// undo takes an event back; 0 is the last one.
func (b *bench) undo(riseID, id int64) {
	b.t.Helper()
	require.NoError(b.t, b.app.Undo(b.t.Context(), "tub", riseID, id))
}

func (b *bench) vessel() web.Vessel { return b.app.Snapshot().Vessels[0] }

// riseOf is what is kept of a rise.
func (b *bench) riseOf(id int64) bake.Rise {
	b.t.Helper()
	r, err := b.store.Rise(b.t.Context(), id)
	require.NoError(b.t, err)
	return r
}

func stepOf(t *testing.T, b *bench, id string) bake.Step {
	t.Helper()
	for _, s := range b.vessel().Steps {
		if s.ID == id {
			return s
		}
	}
	require.Failf(t, "step missing", "%s", id)
	return bake.Step{}
}

// refusedWith checks that err is a refusal that says want in English.
func refusedWith(t *testing.T, err error, want string) {
	t.Helper()
	var no bake.Refusal
	require.ErrorAs(t, err, &no)
	assert.Contains(t, text.New(text.Locale{}).Tell(no.Said)+no.Why, want)
}
