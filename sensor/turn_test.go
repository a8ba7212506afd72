package sensor_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

func TestTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		turn := sensor.NewTurn()
		start := time.Now()
		within := func(d time.Duration, work func() error) error {
			ctx, cancel := context.WithTimeout(t.Context(), d)
			defer cancel()
			return turn.Do(ctx, work)
		}
		hang := func() error { time.Sleep(time.Minute); return nil }
		quick := func() error { return nil }
		require.NoError(t, within(time.Second, quick))
		assert.ErrorIs(t, within(time.Second, func() error { return assert.AnError }), assert.AnError)

		var f *sensor.FaultError
		require.ErrorAs(t, within(10*time.Second, hang), &f)
		assert.Equal(t, 10*time.Second, time.Since(start), "let go at the deadline")
		require.ErrorAs(t, within(10*time.Second, quick), &f)
		assert.Equal(t, 10*time.Second+100*time.Millisecond, time.Since(start), "the next one does not hold up its bus")
		require.ErrorAs(t, turn.Last(quick), &f, "closing gives up after two seconds")
		time.Sleep(time.Minute)
		require.NoError(t, within(time.Second, quick), "free again")
		require.NoError(t, turn.Last(quick))
	})
}
