package app

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/source"
)

// restless returns a sensor that fails five times, until it was set up again three times and
// its supply was cut once.
func restless() *sensor.Driver {
	n := 0
	return &sensor.Driver{Quantity: sensor.Distance, Again: func() bool { return false },
		Supply: func(bool) error { return nil }, Measure: func(context.Context) (mm, sd float64, err error) {
			if n++; n <= 5 {
				return 0, 0, sensor.Fault(sensor.BadData, "range.empty")
			}
			return 180, 1, nil
		}}
}

// TestRecoveriesAreCounted shows what the sensors' drivers count.
func TestRecoveriesAreCounted(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cfg, err := config.Parse("t.yaml", []byte("state_dir: "+state+"\n"+benchConfig), config.WithoutSensors)
		require.NoError(t, err)
		cfg.Vessels[0].Height = &sensor.IIO{}
		a, err := New(Options{Config: cfg, Clock: wall{}, Live: true})
		require.NoError(t, err)
		require.NoError(t, a.Start(t.Context()))
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		sensor.Poll(ctx, []sensor.Job{a.vessels["tub"].job(heightRole, sensor.Job{Bus: source.Bus(cfg.Vessels[0].Height), Source: restless(), Quantity: sensor.Distance, Every: cfg.SampleEvery})})
		s := a.Snapshot().Vessels[0].Sensors[0]
		assert.Equal(t, []int64{3, 1}, []int64{s.Restarts, s.Resets})
		require.NoError(t, a.Stop(t.Context()))
	})
}
