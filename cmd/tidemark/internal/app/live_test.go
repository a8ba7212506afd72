package app

import (
	"context"
	"math"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/sensortest"
)

const (
	doughProbe = "28-00000a1b2c3d"
	airProbe   = "28-00000a1b2c3e"
)

// wall is Go's clock, which a synctest bubble owns.
type wall struct{}

func (wall) Now() time.Time { return time.Now() }

// liveConfig describes one tub over a Pi-like tree.
func liveConfig(t *testing.T, sysfs, state string) *config.Config {
	t.Helper()
	text := `
state_dir: ` + state + `
sysfs: ` + sysfs + `
sample_every: 10s
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    lead: 30m
    height: {kind: iio, device: "iio:device0"}
    dough: {kind: w1, id: ` + doughProbe + `}
    air: {kind: w1, id: ` + airProbe + `}
`
	cfg, err := config.Parse("live.yaml", []byte(text), config.Sensors)
	require.NoError(t, err)
	return cfg
}

// invented is the true rise of the tests' dough in percent after a time: a
// logistic with its half way at 3.2 h. Invented data.
func invented(since time.Duration) float64 {
	g := func(h float64) float64 { return 165 / (1 + math.Exp((3.2-h)*1.35)) }
	return g(since.Hours()) - g(0)
}

// playTree shows a rise in the tree, as often as it is read, until ctx ends. fault may
// break things until the next time.
func playTree(ctx context.Context, t *testing.T, tree sensortest.Tree, start time.Time, fault func(since time.Duration) bool) {
	r := rand.New(rand.NewPCG(1, 2))
	tick := time.NewTicker(10 * time.Second)
	defer tick.Stop()
	for {
		since := time.Since(start)
		if !fault(since) {
			assert.NoError(t, tree.Height(240-60*(1+invented(since)/100)+1.2*r.NormFloat64()))
			assert.NoError(t, tree.Probe(doughProbe, 24.5+0.03*r.NormFloat64()))
			assert.NoError(t, tree.Probe(airProbe, 23.5))
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// crossing is when the invented dough doubles.
func crossing() time.Duration {
	for d := time.Duration(0); ; d += time.Second {
		if invented(d) >= 100 {
			return d
		}
	}
}

// kept is what a run left behind.
type kept struct {
	alarms []alert.Alarm
	rise   bake.Rise
	health int // kinds of status the height sensor showed
}

// liveRun is an App over a tree that somebody plays.
type liveRun struct {
	app   *App
	store *history.Store
	stop  func() // ends the App and the play in order
}

// openLive starts an App on a state folder, in the bubble's time.
func openLive(t *testing.T, state string, tree sensortest.Tree, start time.Time, fault func(time.Duration) bool) liveRun {
	t.Helper()
	cfg := liveConfig(t, tree.Root, state)
	store, err := history.Open(t.Context(), filepath.Join(state, "tidemark.db"), history.Options{Now: time.Now})
	require.NoError(t, err)
	a, err := New(Options{Config: cfg, Clock: wall{}, Store: store, Live: true})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var play sync.WaitGroup
	play.Go(func() { playTree(ctx, t, tree, start, fault) })
	require.NoError(t, a.Start(ctx))
	return liveRun{a, store, func() {
		require.NoError(t, a.Stop(ctx))
		cancel()
		play.Wait()
	}}
}

// runLive runs the App over a tree for a while.
func runLive(t *testing.T, state string, tree sensortest.Tree, start time.Time, until time.Duration, fault func(time.Duration) bool) kept {
	t.Helper()
	return openLive(t, state, tree, start, fault).end(t, start.Add(until))
}

// end lets the run go on until a moment and looks at what it left behind.
func (r liveRun) end(t *testing.T, until time.Time) kept {
	t.Helper()
	time.Sleep(time.Until(until)) // the bubble's time, not real
	k := kept{health: len(r.app.Snapshot().Vessels[0].Sensors)}
	r.stop()
	rises, err := r.store.OpenRises(t.Context())
	require.NoError(t, err)
	require.Len(t, rises, 1)
	k.rise = rises[0]
	k.alarms, err = r.store.Alarms(t.Context(), k.rise.ID)
	require.NoError(t, err)
	require.NoError(t, r.store.Close(t.Context()))
	return k
}

// kinds lists the kinds of alarm in order.
func (k kept) kinds() []alert.Kind {
	var out []alert.Kind
	for _, a := range k.alarms {
		out = append(out, a.Kind)
	}
	return out
}

// of finds the alarm of a kind.
func (k kept) of(t *testing.T, kind alert.Kind) alert.Alarm {
	t.Helper()
	for _, a := range k.alarms {
		if a.Kind == kind {
			return a
		}
	}
	require.Failf(t, "alarm missing", "no %s among %v", kind, k.kinds())
	return alert.Alarm{}
}

// TestLiveTreeWarnsBeforeDoubling is the live proof: kernel files in, the
// warning out, with the faults a Pi shows on the way.
func TestLiveTreeWarnsBeforeDoubling(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		k := runLive(t, state, tree, start, crossing()+20*time.Minute, faultsOf(t, tree))
		near, reached := k.of(t, alert.Near), k.of(t, alert.Reached)
		want := start.Add(crossing())
		assert.InDelta(t, 0, near.FiredAt.Sub(want.Add(-30*time.Minute)).Minutes(), 10, "near came at %s", near.FiredAt)
		assert.InDelta(t, 0, reached.FiredAt.Sub(want).Minutes(), 8, "reached came at %s", reached.FiredAt)
		assert.NotContains(t, k.kinds(), alert.TooHot, "85 C at power-on is no temperature")
		assert.NotContains(t, k.kinds(), alert.OvenHeating)
		assert.InDelta(t, 60*math.Pi*90*90/1e6, k.rise.BaselineL, 0.05)
		assert.Equal(t, 3, k.health)
	})
}

// faultsOf breaks the tree in every way for a while each.
func faultsOf(t *testing.T, tree sensortest.Tree) func(time.Duration) bool {
	minute := func(since time.Duration) int { return int(since / time.Minute) }
	return func(since time.Duration) bool {
		var err error
		switch minute(since) {
		case 60:
			err = tree.BreakHeight(sensortest.Missing)
		case 70:
			err = tree.BreakHeight(sensortest.Empty)
		case 80:
			err = tree.BreakHeight(sensortest.IOError)
		case 90:
			err = tree.BreakHeight(sensortest.OutOfRange)
		case 100:
			err = tree.BreakProbe(doughProbe, sensortest.BadCRC)
		case 105:
			err = tree.BreakProbe(doughProbe, sensortest.PowerOn)
		case 110:
			err = tree.BreakProbe(doughProbe, sensortest.Missing)
		default:
			return false
		}
		assert.NoError(t, err)
		return true
	}
}

func noFault(time.Duration) bool { return false }

// TestSensorLostIsToldAndEnds lets the height sensor die, or see nothing, for a
// quarter of an hour: both are told in the same time, with what to look for.
func TestSensorLostIsToldAndEnds(t *testing.T) {
	t.Parallel()
	for fault, look := range map[sensortest.Fault]estimator.Cause{
		sensortest.Missing:    estimator.NoReading,
		sensortest.OutOfRange: estimator.NothingInRange,
	} {
		t.Run(string(fault), func(t *testing.T) {
			t.Parallel()
			state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				r := openLive(t, state, tree, start, func(since time.Duration) bool {
					if since < 60*time.Minute || since > 75*time.Minute {
						return false
					}
					assert.NoError(t, tree.BreakHeight(fault))
					return true
				})
				time.Sleep(70 * time.Minute) // the bubble's time, not real
				assert.Equal(t, look, r.app.State("tub").Estimate.QualityReason)
				k := r.end(t, start.Add(2*time.Hour))
				lost := k.of(t, alert.SensorLost)
				assert.InDelta(t, 65, lost.FiredAt.Sub(start).Minutes(), 1.5)
				assert.Equal(t, alert.Resolved, lost.State)
				assert.Len(t, k.alarms, 1, "one fault is one alarm, not several: %v", k.kinds())
			})
		})
	}
}

// TestAVanishedProbeIsToldAndNotShownAsFresh takes the dough's probe away for
// forty minutes: the old value is not shown as that of now, and the household is
// told why no warning of heat can come.
func TestAVanishedProbeIsToldAndNotShownAsFresh(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		r := openLive(t, state, tree, start, func(since time.Duration) bool {
			if since < 60*time.Minute || since > 100*time.Minute {
				return false
			}
			assert.NoError(t, tree.Height(240-60*(1+invented(since)/100)+math.Sin(since.Seconds())))
			assert.NoError(t, tree.Probe(airProbe, 23.5))
			assert.NoError(t, tree.BreakProbe(doughProbe, sensortest.Missing))
			return true
		})
		time.Sleep(70 * time.Minute) // the bubble's time, not real
		assert.InDelta(t, 24.5, r.app.State("tub").Estimate.DoughC, 0.3, "a short gap is bridged")
		time.Sleep(20 * time.Minute)
		assert.True(t, math.IsNaN(r.app.State("tub").Estimate.DoughC))
		assert.InDelta(t, 23.5, r.app.State("tub").Estimate.AirC, 0.1)
		k := r.end(t, start.Add(2*time.Hour))
		lost := k.of(t, alert.ProbeLost)
		assert.InDelta(t, 75, lost.FiredAt.Sub(start).Minutes(), 1)
		assert.Equal(t, alert.Resolved, lost.State)
		assert.Len(t, k.alarms, 1, "%v", k.kinds())
	})
}
