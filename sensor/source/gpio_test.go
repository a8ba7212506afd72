package source

import (
	"encoding/binary"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestEdgesOfTheKernel decodes line events as linux/gpio.h lays them out: 48
// bytes, timestamp in ns first, then 1 for rising and 2 for falling.
func TestEdgesOfTheKernel(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	g := gpioLines{out: w, in: r}
	for _, e := range []struct {
		at     time.Duration
		id     uint32
		rising bool
	}{{1_000_000, 1, true}, {1_870_000, 2, false}} {
		b := make([]byte, 48)
		binary.NativeEndian.PutUint64(b, uint64(e.at))
		binary.NativeEndian.PutUint32(b[8:], e.id)
		_, err := w.Write(b)
		require.NoError(t, err)
		rising, at, err := g.edge(time.Now().Add(time.Minute))
		require.NoError(t, err)
		assert.Equal(t, e.rising, rising)
		assert.Equal(t, e.at, at)
	}
	_, _, err = g.edge(time.Now())
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
	require.NoError(t, g.Close())
}
