package app

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
)

// changedConfig is the bench's configuration with one text put for another.
func changedConfig(t *testing.T, b *bench, old, fresh string) *config.Config {
	t.Helper()
	text := strings.Replace(benchConfig, old, fresh, 1)
	require.NotEqual(t, benchConfig, text, "the row changes nothing")
	cfg, err := config.Parse("bench.yaml", []byte(text), config.WithoutSensors)
	require.NoError(t, err)
	for i := range cfg.Vessels {
		cfg.Vessels[i].Batch = b.app.opt.Config.Vessels[0].Batch
	}
	return cfg
}

// TestReloadTellsWhatNeedsARestart has a row for every part of the file.
func TestReloadTellsWhatNeedsARestart(t *testing.T) {
	t.Parallel()
	const floor = "    floor_mm: 240\n"
	b := newBench(t)
	for _, c := range []struct {
		name, old, fresh string
		want             bool
	}{
		{"mark", floor, floor + "    target_percent: 80\n", false},
		{"lead", floor, floor + "    lead: 45m\n", false},
		{"floor", "240", "260", false},
		{"shape", "180", "190", false},
		{"lost after", floor, floor + "    lost_after: 9m\n", true},
		{"mark by temperature", floor, floor + "    target_by_dough_c: [[20, 100], [25, 75]]\n", true},
		{"household", "UTC", "Europe/Vienna", true},
		{"page", "household:", "web: {listen: \"127.0.0.1:9999\"}\nhousehold:", true},
		{"state", "household:", "state_dir: /tmp/x\nhousehold:", true},
		{"sensors", "household:", "sysfs: /tmp/y\nhousehold:", true},
		{"how often", "household:", "sample_every: 20s\nhousehold:", true},
		{"heartbeat", "household:", "heartbeat_url: http://h/\nhousehold:", true},
		{"channel", "household:", "channels: [{name: c, kind: topic, url: \"http://h\", topic: t}]\nhousehold:", true},
		{"another name", "name: tub", "name: jar", true},
	} {
		assert.Equal(t, c.want, b.app.Reload(changedConfig(t, b, c.old, c.fresh)), c.name)
	}
}

// TestReloadTakesMarkAndLeadOver changes both in mid-rise; the new mark outlives
// a restart and gives way to one that is chosen by hand.
func TestReloadTakesMarkAndLeadOver(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	assert.False(t, b.app.Reload(changedConfig(t, b, "    floor_mm", "    target_percent: 80\n    lead: 45m\n    floor_mm")))
	b.run(61 * time.Minute)
	v := b.vessel()
	assert.Equal(t, 80.0, v.Estimate.TargetPercent)
	assert.Equal(t, 45*time.Minute, v.Lead)
	r, err := b.store.Rise(t.Context(), v.RiseID)
	require.NoError(t, err)
	assert.Equal(t, 80.0, r.TargetPercent)
	b.do(bake.Event{Kind: bake.EventTarget, Detail: bake.Detail{TargetPercent: 60}})
	b.undo(0, 0)
	b.run(62 * time.Minute)
	assert.Equal(t, 80.0, b.vessel().Estimate.TargetPercent, "undo puts back what stood before, not the default")
}

// TestReloadTakesMeasuresOver changes the floor in mid-rise: the rise is folded again
// with it, says so, and so is the next one.
func TestReloadTakesMeasuresOver(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(time.Hour)
	id, volume := b.vessel().RiseID, b.vessel().Estimate.VolumeL
	require.NotZero(t, id)
	assert.False(t, b.app.Reload(changedConfig(t, b, "240", "260")))
	b.run(61 * time.Minute)
	assert.Equal(t, id, b.vessel().RiseID)
	const moreL = 20 * 3.14159 * 90 * 90 / 1e6 // 20 mm of the bench's tub
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.05)
	events := b.vessel().Events
	assert.Equal(t, bake.EventMeasured, events[len(events)-1].Kind)
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(63 * time.Minute)
	assert.Zero(t, b.vessel().RiseID, "the next rise waits for a person")
	b.do(bake.Event{Kind: bake.EventStart})
	b.run(80 * time.Minute)
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.15)

	b = newBench(t)
	assert.False(t, b.app.Reload(changedConfig(t, b, "240", "260")), "before the first rise")
	b.run(time.Hour)
	assert.InDelta(t, volume+moreL, b.vessel().Estimate.VolumeL, 0.15, "which begins by itself as before")
}

// TestUndoOfAMarkGoesBackToTheTable chooses a mark by hand where the file has a
// table by temperature.
func TestUndoOfAMarkGoesBackToTheTable(t *testing.T) {
	t.Parallel()
	b := newBenchOf(t, strings.Replace(benchConfig, "    floor_mm", "    target_by_dough_c: [[20, 110], [30, 70]]\n    floor_mm", 1))
	b.run(time.Hour)
	byTable := b.vessel().Estimate.TargetPercent
	assert.InDelta(t, 92, byTable, 2, "24.5 C lies between the rows")
	b.do(bake.Event{Kind: bake.EventTarget, Detail: bake.Detail{TargetPercent: 60}})
	b.run(61 * time.Minute)
	assert.Equal(t, 60.0, b.vessel().Estimate.TargetPercent)
	b.undo(0, 0)
	b.run(62 * time.Minute)
	assert.InDelta(t, byTable, b.vessel().Estimate.TargetPercent, 1)
}
