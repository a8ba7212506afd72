package app

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator/geometry"
	"tidemark/sensor/sensortest"
	"tidemark/web"
)

// basin is a live watch of a tub that can be measured and of a jar whose starter
// rises meanwhile, over a tree that the test plays. Everything is invented.
type basin struct {
	t    *testing.T
	file string
	tree sensortest.Tree
	app  *App
}

// inBasin runs a test with a basin, in a bubble's time. The tub's sensor sees nothing yet.
func inBasin(t *testing.T, f func(t *testing.T, b *basin)) {
	t.Helper()
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := &basin{t: t, file: filepath.Join(dir, "tidemark.yaml"), tree: sensortest.Tree{Root: filepath.Join(dir, "sys")}}
		b.level(8190)
		iio(t, b.tree, "iio:device5", "other", map[string]string{"in_distance_raw": "150", "in_distance_scale": "0.001"})
		put(t, b.file, "state_dir: "+dir+"\nsysfs: "+b.tree.Root+`
sample_every: 30s
vessels:
  - name: tub
    holds: dough
    floor_mm: 250
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
    height: {kind: iio, name: vl53l0x}
  - name: jar
    holds: starter
    floor_mm: 200
    profile: {shape: straight, diameter_mm: 85, height_mm: 150}
    height: {kind: iio, name: other}
`)
		cfg, err := config.Load(b.file, config.Sensors)
		require.NoError(t, err)
		r := startLive(t, cfg)
		defer r.stop()
		b.app = r.app
		f(t, b)
	})
}

// level sets what the tub's sensor reads.
func (b *basin) level(mm float64) { require.NoError(b.t, b.tree.Height(mm)) }

// state is how far the measuring of the tub is.
func (b *basin) state() web.Level {
	b.t.Helper()
	l, err := b.app.Level("tub")
	require.NoError(b.t, err)
	return l
}

// TestMeasuringThroughTheRunningWatch measures a tub on the page's way while a
// jar goes on being watched: empty, three levels of water, a look at the change,
// written, and in force without a restart; and after one.
func TestMeasuringThroughTheRunningWatch(t *testing.T) {
	inBasin(t, func(t *testing.T, b *basin) {
		time.Sleep(2 * time.Minute)
		jarBefore := b.app.Snapshot().Vessels[1].Sensors[0].Readings["ok"]
		l := b.state()
		assert.Equal(t, []any{"iio vl53l0x", 250.0, 200.0, "", false}, []any{l.Sensor, l.FloorMM, math.Round(l.TopMM), l.Blocked, l.Busy})
		assert.Nil(t, l.Empty)
		refusedWith(t, b.app.LevelPour(t.Context(), "tub", 1), "the empty vessel was not measured yet")
		refusedWith(t, b.app.LevelEmpty(t.Context(), "tub"), "Not measured: no usable reading: nothing in range")

		b.level(238)
		begun := time.Now()
		require.NoError(t, b.app.LevelEmpty(t.Context(), "tub"))
		assert.InDelta(t, 10, time.Since(begun).Seconds(), 2, "as long as the page says")
		l = b.state()
		assert.InDelta(t, 238, l.Empty.MM, 1e-9)
		assert.Greater(t, l.Empty.Usable, 8, "readings came faster than every 30 s")
		require.NotNil(t, l.Change)
		assert.Contains(t, strings.Join(l.Change.Before, "\n"), "floor_mm: 250")
		assert.Contains(t, strings.Join(l.Change.After, "\n"), "floor_mm: 238")
		for _, step := range [][2]float64{{198, 1}, {158, 2.1}, {118, 3.3}} {
			b.level(step[0])
			require.NoError(t, b.app.LevelPour(t.Context(), "tub", step[1]))
		}
		refusedWith(t, b.app.LevelPour(t.Context(), "tub", 3), "give the total, not what was added")
		l = b.state()
		require.Len(t, l.Pours, 3)
		require.Len(t, l.Profile, 6, "nothing, three levels, and on to the rim")
		assert.InDelta(t, 200, l.Profile[5].HeightMM, 0.1)
		assert.InDelta(t, 3.3+80*math.Pi*90*90/1e6, l.Profile[5].VolumeL, 0.01)
		assert.Contains(t, strings.Join(l.Remarks, "\n"), "dough may stand higher")

		_, err := b.app.LevelWrite(t.Context(), "tub", "0011223344556677")
		refusedWith(t, err, "Look at the change again")
		said, err := b.app.LevelWrite(t.Context(), "tub", l.Change.ID)
		require.NoError(t, err)
		assert.Equal(t, "Written and in force: the floor is 238.0 mm away. The shape has 6 points.", said)
		assert.Nil(t, b.state().Empty, "it begins anew")
		assert.Zero(t, b.app.Snapshot().Vessels[0].RiseID, "water is no dough")
		jar := b.app.Snapshot().Vessels[1]
		assert.NotZero(t, jar.RiseID)
		assert.InDelta(t, time.Since(begun).Seconds()/30, float64(jar.Sensors[0].Readings["ok"]-jarBefore), 2, "the jar was read as ever")

		b.level(158)
		require.NoError(t, b.app.Do(t.Context(), bake.Event{Kind: bake.EventStart, Vessel: "tub"}))
		time.Sleep(5 * time.Minute)
		assert.InDelta(t, 2.1, b.app.State("tub").Estimate.VolumeL, 0.1, "80 mm of the measured shape")
		refusedWith(t, b.app.LevelEmpty(t.Context(), "tub"), "A rise is being watched in tub")
		cfg, err := config.Load(b.file, config.Sensors)
		require.NoError(t, err)
		assert.Equal(t, 238.0, cfg.Vessels[0].FloorMM, "and after a restart")
	})
}

// TestMeasuringWarns of the rim in view, and forgets what nobody goes on with.
func TestMeasuringWarns(t *testing.T) {
	inBasin(t, func(t *testing.T, b *basin) {
		b.level(150)
		require.NoError(t, b.app.LevelEmpty(t.Context(), "tub"))
		l := b.state()
		assert.Contains(t, strings.Join(l.Remarks, "\n"), "it sees the rim or something in the vessel, not the floor")
		assert.Contains(t, strings.Join(l.Remarks, "\n"), "Not written: the floor is 150 mm away, but the vessel is 200 mm high")
		assert.Nil(t, l.Change)
		b.level(225)
		require.NoError(t, b.app.LevelEmpty(t.Context(), "tub"))
		assert.Contains(t, strings.Join(b.state().Remarks, "\n"), "a full vessel would come to 25 mm from the sensor, nearer than the 30 mm it needs")
		require.NoError(t, b.app.LevelEnd("tub"))
		assert.Nil(t, b.state().Empty)

		require.NoError(t, b.app.LevelEmpty(t.Context(), "tub"))
		time.Sleep(levelForgets + time.Minute)
		assert.Nil(t, b.state().Empty, "after half an hour the vessel is watched again")
		refusedWith(t, b.app.LevelEmpty(t.Context(), "bathtub"), "No vessel bathtub")
	})
}

// TestOneMeasuresAtATime: a second one is told to wait, and who gives up early
// leaves the gauge free.
func TestOneMeasuresAtATime(t *testing.T) {
	inBasin(t, func(t *testing.T, b *basin) {
		time.Sleep(time.Minute + time.Second) // between two readings
		b.level(238)
		ctx, cancel := context.WithCancel(t.Context())
		first := make(chan error)
		go func() { first <- b.app.LevelEmpty(ctx, "tub") }()
		time.Sleep(2 * time.Second)
		refusedWith(t, b.app.LevelEmpty(t.Context(), "tub"), "Somebody measures tub")
		refusedWith(t, b.app.LevelEnd("tub"), "Somebody measures tub")
		assert.True(t, b.state().Busy)
		cancel()
		refusedWith(t, <-first, "canceled")
		require.NoError(t, b.app.LevelEmpty(t.Context(), "tub"))
	})
}

func TestNothingToMeasureWithoutSensors(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	l, err := b.app.Level("tub")
	require.NoError(t, err)
	assert.Contains(t, l.Blocked, "No sensor is read over tub")
	refusedWith(t, b.app.LevelEmpty(t.Context(), "tub"), "No sensor is read over tub")
	require.NoError(t, b.app.LevelEnd("tub"))
	_, err = b.app.LevelWrite(t.Context(), "tub", "x")
	refusedWith(t, err, "Nothing was measured in tub yet")
}

// TestWorthOfMM works one case by hand: 80 mm of dough in a straight tub of 200 mm, a
// millimetre is 1.25 points, at 25 points an hour 3 minutes. A measured shape goes on to
// the rim of the one before, where it does not reach it.
func TestWorthOfMM(t *testing.T) {
	t.Parallel()
	p, err := geometry.Cylinder(180, 200)
	require.NoError(t, err)
	said := WorthOfMM(config.Vessel{}, p, text.New(text.Locale{}))
	for _, want := range []string{"80 mm high at the start", "one millimetre of height is 3.0 minutes", "about ± 5 minutes"} {
		assert.Contains(t, said, want)
	}
	assert.Empty(t, WorthOfMM(config.Vessel{}, nil, nil))
	for _, whole := range [][][2]float64{nil, {{0, 0}, {197, 5.01}}} {
		out, further := toTheRim(whole, p)
		assert.False(t, further)
		assert.Equal(t, whole, out)
	}
}

// TestWhatCountsAtOnce: what the page says before saving is so.
func TestWhatCountsAtOnce(t *testing.T) {
	inBasin(t, func(t *testing.T, b *basin) {
		s := b.app.setup
		for _, c := range []struct {
			path, value string
			wait        bool
		}{
			{"vessels[0].target_percent", "80", false}, {"vessels[0].lead", "45m", false}, {"vessels[0].floor_mm", "251", false},
			{"vessels[0].name", "big tub", true}, {"household.clock", "12h", true}, {"web.base_url", "http://kitchen.local:8080", true},
		} {
			now, err := s.Sheet()
			require.NoError(t, err)
			_, wait, err := s.Save(t.Context(), now.Version, []web.Setting{{Path: c.path, Value: c.value}})
			require.NoError(t, err, c.path)
			assert.Equal(t, c.wait, wait, c.path)
			now, err = s.Sheet()
			require.NoError(t, err)
			assert.Equal(t, c.value, now.Values[c.path])
			_, _, err = s.Undo(t.Context(), now.Version)
			require.NoError(t, err, c.path)
		}
		now, err := s.Sheet()
		require.NoError(t, err)
		_, _, err = s.Save(t.Context(), now.Version, []web.Setting{{Path: "state_dir", Value: "/tmp"}})
		require.ErrorContains(t, err, "by hand only")
		_, _, err = s.Save(t.Context(), "0011", []web.Setting{{Path: "household.clock", Value: "12h"}})
		refusedWith(t, err, "changed meanwhile")
	})
}

// TestAnAnswerToATestIsNoAnswerToAnAlarm keeps what came back, for channels there are.
func TestAnAnswerToATestIsNoAnswerToAnAlarm(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.app.opt.Config.Channels = []alert.ChannelSpec{{Name: "phone"}}
	b.app.setup = b.app.newSetup()
	require.NoError(t, b.app.pressed(t.Context(), alert.AnswerAck, alert.TestID("phone")))
	assert.NotEmpty(t, b.app.setup.tested["phone"])
	require.ErrorIs(t, b.app.pressed(t.Context(), alert.AnswerSnooze, alert.TestID("pigeon")), alert.ErrUnknownAlarm)
}
