package app

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
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

// liveRun is an App over a tree that somebody plays.
type liveRun struct {
	app   *App
	store *history.Store
	sent  *sync.Map // when a message of a kind came to the household first
	stop  func()    // ends the App and the play in order
}

// openLive starts an App on a state folder, in the bubble's time.
func openLive(t *testing.T, state string, tree sensortest.Tree, start time.Time, fault func(time.Duration) bool) liveRun {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var play sync.WaitGroup
	play.Go(func() { playTree(ctx, t, tree, start, fault) })
	r := startLive(t, liveConfig(t, tree.Root, state))
	stop := r.stop
	r.stop = func() {
		stop()
		cancel()
		play.Wait()
	}
	return r
}

// startLive starts an App that reads sensors, in the bubble's time.
func startLive(t *testing.T, cfg *config.Config) liveRun {
	t.Helper()
	store, err := history.Open(t.Context(), filepath.Join(cfg.StateDir, "tidemark.db"), history.Options{})
	require.NoError(t, err)
	sent := new(sync.Map)
	phone := alert.Route{Name: "phone", Deliver: func(_ context.Context, m alert.Message) (string, error) {
		sent.LoadOrStore(m.Kind, time.Now())
		return "taken", nil
	}}
	a, err := New(Options{Config: cfg, Clock: wall{}, Store: store, Live: true, Routes: []alert.Route{phone}})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	return liveRun{a, store, sent, func() {
		assert.NoError(t, errors.Join(a.Stop(context.Background()), store.Close(context.Background())))
	}}
}

// until lets the run go on until a moment, ends it and returns the rise and its alarms.
func (r liveRun) until(t *testing.T, end time.Time) (bake.Rise, []alert.Alarm) {
	t.Helper()
	time.Sleep(time.Until(end)) // the bubble's time, not real
	rises, err := r.store.OpenRises(t.Context())
	require.NoError(t, err)
	require.Len(t, rises, 1)
	alarms, err := r.store.Alarms(t.Context(), rises[0].ID)
	require.NoError(t, err)
	r.stop()
	return rises[0], alarms
}

// TestLiveTreeWarnsBeforeDoubling is the live proof: kernel files in, the
// warning out, with the faults a Pi shows on the way.
func TestLiveTreeWarnsBeforeDoubling(t *testing.T) {
	t.Parallel()
	state, tree := t.TempDir(), sensortest.Tree{Root: t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		r := openLive(t, state, tree, start, faultsOf(t, tree))
		rise, alarms := r.until(t, start.Add(crossing()+20*time.Minute))
		near, reached := alarmOf(t, alarms, alert.Near), alarmOf(t, alarms, alert.Reached)
		want := start.Add(crossing())
		assert.InDelta(t, 0, near.FiredAt.Sub(want.Add(-30*time.Minute)).Minutes(), 10, "near came at %s", near.FiredAt)
		assert.InDelta(t, 0, reached.FiredAt.Sub(want).Minutes(), 8, "reached came at %s", reached.FiredAt)
		for _, told := range []alert.Alarm{near, reached} {
			at, came := r.sent.Load(told.Kind)
			require.True(t, came, told.Kind)
			assert.WithinDuration(t, told.FiredAt, at.(time.Time), 10*time.Second, "sent at once")
		}
		assert.NotContains(t, kindsOf(alarms), alert.TooHot, "85 C at power-on is no temperature")
		assert.NotContains(t, kindsOf(alarms), alert.OvenHeating)
		assert.InDelta(t, 60*math.Pi*90*90/1e6, rise.BaselineL, 0.05)
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
		_, alarms := r.until(t, start.Add(2*time.Hour))
		lost := alarmOf(t, alarms, alert.ProbeLost)
		assert.InDelta(t, 75, lost.FiredAt.Sub(start).Minutes(), 1)
		assert.Equal(t, alert.Resolved, lost.State)
		assert.Len(t, alarms, 1, "%v", kindsOf(alarms))
	})
}

// iio lays out a device of the kernel's industrial I/O below a tree.
func iio(t *testing.T, tree sensortest.Tree, device, name string, files map[string]string) {
	t.Helper()
	dir := filepath.Join(tree.Root, "bus/iio/devices", device)
	put(t, filepath.Join(dir, "name"), name)
	for file, text := range files {
		put(t, filepath.Join(dir, file), text)
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
		r := startLive(t, cfg)
		defer r.stop()
		time.Sleep(time.Minute + time.Second)
		assert.InDelta(t, 0.85, r.app.Snapshot().Vessels[0].AirHumidity, 1e-9)
		v := r.app.vessels["tub"]
		distanceMM := func() float64 {
			v.mu.Lock()
			defer v.mu.Unlock()
			return v.readings.of(heightRole).reading.Value
		}
		warm := distanceMM()
		damp, dry := sound.Air{Celsius: 30, Humidity: 0.85}.SpeedMPS(), sound.Air{Celsius: 30, Humidity: 0.7}.SpeedMPS()
		assert.Greater(t, math.Abs(damp-dry)/dry*warm, 0.1, "humidity can be seen in the distance")
		celsius, humidity, ok := v.sourceEnv(nil).Air()
		assert.Equal(t, []any{30.0, 0.85, true}, []any{celsius, math.Round(humidity*100) / 100, ok})

		require.NoError(t, tree.BreakProbe(airProbe, sensortest.Missing))
		time.Sleep(50 * time.Minute)
		assert.InDelta(t, warm, distanceMM(), 1e-9, "no jump while the air is only silent")
		time.Sleep(15 * time.Minute)
		assert.Less(t, distanceMM(), warm-1, "then the usual kitchen of 22 C is assumed")
	})
}

// TestWhatIsCountedReachesPageAndMetrics: notifications by state, heartbeats, readings that
// come too late, and how often a sensor was brought back.
func TestWhatIsCountedReachesPageAndMetrics(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	a := alert.Alarm{ID: "x", Kind: alert.Near, Vessel: "tub", State: alert.Firing, Since: b.start}
	require.NoError(t, b.store.SaveAlarms(t.Context(), []alert.Alarm{a}, []alert.Notification{
		{ID: "x/phone/0", AlarmID: "x", Channel: "phone", State: alert.Waiting, CreatedAt: b.start},
		{ID: "x/mail/0", AlarmID: "x", Channel: "mail", State: alert.Sent, CreatedAt: b.start}}))
	b.app.report(t.Context())

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

	dead := &sensor.Driver{Quantity: sensor.Distance, Resets: true, Open: func(context.Context) error { return nil },
		Measure: func(context.Context) (mm, sd float64, err error) { return 0, 0, errors.New("dead") }}
	v := b.app.vessels["tub"]
	for range 4 { // it is brought back before the fourth
		v.deliver(heightRole, dead.Read(t.Context()))
		v.timed(heightRole, dead, 2*time.Second, 3)
	}
	s := b.app.Snapshot()
	assert.Equal(t, []any{map[string]int{"waiting": 1, "sent": 1}, uint64(12)}, []any{s.System.NotificationsByState, s.System.SamplesLate})
	x := s.Vessels[0].Sensors[0]
	assert.Equal(t, []any{"height", 2.0, int64(1), int64(1)}, []any{x.Sensor, x.ReadSeconds, x.Restarts, x.Resets})
	o, err := b.app.WebOptions()
	require.NoError(t, err)
	w := httptest.NewRecorder()
	o.Metrics.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for _, by := range []string{"restart", "reset"} {
		assert.Contains(t, w.Body.String(), `tidemark_sensor_recoveries_total{by="`+by+`",sensor="height",vessel="tub"} 1`)
	}
}
