package app

import (
	"context"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/sensor"
	"tidemark/sensor/sensortest"
	"tidemark/sensor/sound"
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

// iio lays out a device of the kernel's industrial I/O below a tree.
func iio(t *testing.T, tree sensortest.Tree, device, name string, files map[string]string) {
	t.Helper()
	dir := filepath.Join(tree.Root, "bus/iio/devices", device)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "name"), []byte(name), 0o644))
	for file, text := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(text), 0o644))
	}
}

// TestAirSetsTheSpeedOfSound reads a tub by sound, through kernel files, in damp
// and warm air: temperature and humidity come from the configured sensors, reach
// page and metrics, and correct the distance. When the air sensor falls silent,
// its last word goes on to count for an hour.
func TestAirSetsTheSpeedOfSound(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	iio(t, tree, "iio:device3", "srf04", map[string]string{"in_distance_raw": "200", "in_distance_scale": "0.001"})
	iio(t, tree, "iio:device4", "hdc100x", map[string]string{"in_humidityrelative_input": "85000"})
	synctest.Test(t, func(t *testing.T) {
		require.NoError(t, tree.Probe(airProbe, 30))
		text := "state_dir: " + state + "\nsysfs: " + tree.Root + `
sample_every: 10s
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: srf04}
    air: {kind: w1, id: ` + airProbe + `}
    humidity: {kind: iio, name: hdc100x}
`
		cfg, err := config.Parse("t.yaml", []byte(text), config.Sensors)
		require.NoError(t, err)
		a, err := New(Options{Config: cfg, Clock: wall{}, Live: true})
		require.NoError(t, err)
		require.NoError(t, a.Start(t.Context()))
		defer func() { require.NoError(t, a.Stop(t.Context())) }()
		time.Sleep(time.Minute + time.Second)
		v := a.Snapshot().Vessels[0]
		assert.InDelta(t, 0.85, v.AirHumidity, 1e-9)
		require.Len(t, v.Sensors, 3)
		latest := func(as role) sensor.Reading {
			p := a.vessels["tub"]
			p.mu.Lock()
			defer p.mu.Unlock()
			return p.readings.of(as).reading
		}
		distance := func() float64 { return latest(heightRole).Value }
		// The kernel's driver reckons with a speed of its own (343.5 m/s as tidemark
		// takes it: 200 mm at 343.5 are so many at the real speed).
		warm := distance()
		speed := sound.Air{Celsius: 30, Humidity: 0.85}.SpeedMPS()
		dry := sound.Air{Celsius: 30, Humidity: 0.7}.SpeedMPS()
		assert.Greater(t, math.Abs(speed-dry)/dry*warm, 0.1, "humidity can be seen in the distance")
		celsius, humidity, ok := a.vessels["tub"].sourceEnv(nil).Air()
		assert.Equal(t, []any{30.0, 0.85, true}, []any{celsius, math.Round(humidity*100) / 100, ok})

		require.NoError(t, tree.BreakProbe(airProbe, sensortest.Missing))
		time.Sleep(50 * time.Minute)
		assert.Equal(t, sensor.Missing, latest(airRole).Status)
		assert.InDelta(t, warm, distance(), 1e-9, "no jump while the air is only silent")
		time.Sleep(15 * time.Minute)
		assert.Less(t, distance(), warm-1, "then the usual kitchen of 22 C is assumed")
	})
}

// TestLastReadings follows one thermometer that measures, fails and is asked no more.
func TestLastReadings(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)
	var l lastReadings
	assert.Equal(t, sensor.Stale, l.fresh(doughRole, at, time.Minute).Status, "not asked yet")
	assert.True(t, math.IsNaN(l.lately(doughRole, at, time.Hour)))
	assert.Empty(t, l.fault(doughRole))
	assert.Empty(t, l.silent())

	good := sensor.Reading{Status: sensor.OK, Quantity: sensor.Temperature, Value: 24.5}
	l.note(doughRole, good, at)
	assert.Equal(t, good, l.fresh(doughRole, at.Add(time.Minute), time.Minute))
	assert.Equal(t, sensor.Stale, l.fresh(doughRole, at.Add(time.Minute+1), time.Minute).Status)
	assert.Empty(t, l.silent())

	later := at.Add(10 * time.Minute)
	l.note(doughRole, sensor.Reading{Status: sensor.Missing, Quantity: sensor.Temperature}, later)
	assert.Equal(t, string(sensor.Missing), l.fault(doughRole))
	assert.Equal(t, []alert.Silent{{Sensor: "dough", Since: at}}, l.silent())
	assert.Equal(t, 24.5, l.lately(doughRole, later, 10*time.Minute), "what was measured last")
	assert.True(t, math.IsNaN(l.lately(doughRole, later.Add(1), 10*time.Minute)))
	assert.True(t, math.IsNaN(l.lately(airRole, later, time.Hour)), "another sensor")

	l.clockStep(alert.ClockStep{By: time.Hour})
	assert.Equal(t, []alert.Silent{{Sensor: "dough", Since: at.Add(time.Hour)}}, l.silent())
}

func TestNotificationsAreCountedByState(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	a := alert.Alarm{ID: "x", Kind: alert.Near, Vessel: "tub", State: alert.Firing, Since: b.start}
	require.NoError(t, b.store.SaveAlarms(t.Context(), []alert.Alarm{a}, []alert.Notification{
		{ID: "x/phone/0", AlarmID: "x", Channel: "phone", State: alert.Waiting, CreatedAt: b.start},
		{ID: "x/mail/0", AlarmID: "x", Channel: "mail", State: alert.Sent, CreatedAt: b.start}}))
	b.app.report(t.Context())
	assert.Equal(t, map[string]int{"waiting": 1, "sent": 1}, b.app.Snapshot().System.NotificationsByState)
}

func TestHeartbeatIsShown(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	assert.Zero(t, b.app.Snapshot().System.HeartbeatAt)
	there := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer there.Close()
	ctx, cancel := context.WithCancel(t.Context())
	beat := channel.NewHeartbeat(alert.Secret(there.URL), func() error { return nil }, nil)
	b.app.heartbeat.Store(beat)
	var done sync.WaitGroup
	done.Go(func() { beat.Run(ctx) })
	require.Eventually(t, func() bool { return !b.app.Snapshot().System.HeartbeatAt.IsZero() }, time.Minute, 5*time.Millisecond)
	cancel()
	done.Wait()
}

// TestReadingTimesAreShown runs the live App for a while: the sensors of the tree
// answer at once, and none is late.
func TestReadingTimesAreShown(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		r := openLive(t, state, tree, time.Now(), noFault)
		time.Sleep(2 * time.Minute) // the bubble's time, not real
		s := r.app.Snapshot()
		r.app.vessels["tub"].timed(heightRole, nil, time.Second, 3)
		late := r.app.Snapshot().System.SamplesLate
		r.stop()
		require.NoError(t, r.store.Close(t.Context()))
		assert.Zero(t, s.System.SamplesLate)
		assert.Equal(t, uint64(3), late)
		require.Len(t, s.Vessels[0].Sensors, 3)
		for _, x := range s.Vessels[0].Sensors {
			assert.GreaterOrEqual(t, x.ReadSeconds, 0.0, x.Sensor)
		}
	})
}
