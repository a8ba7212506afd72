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

// restless is a sensor that had to be brought back.
type restless struct{ restarts, resets int64 }

func (r restless) Read(context.Context) sensor.Reading {
	x := sensor.Reading{Quantity: sensor.Distance}
	return x.Good(180, 1)
}
func (r restless) Close() error { return nil }
func (r restless) Recovery() sensor.Recovery {
	return sensor.Recovery{Restarts: r.restarts, Resets: r.resets}
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
		a.sense(ctx, []feed{{"tub", heightRole, sensor.Distance, source.Bus(cfg.Vessels[0].Height), restless{4, 2}}})
		s := a.Snapshot().Vessels[0].Sensors[0]
		assert.Equal(t, []int64{4, 2}, []int64{s.Restarts, s.Resets})
		require.NoError(t, a.Stop(t.Context()))
	})
}
