package main

import (
	"net"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A long start tells the service manager every few seconds that it moves on, and
// not at every rise.
func TestALongStartAsksForTime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	synctest.Test(t, func(*testing.T) {
		tell := startingUp()
		for n := range 26 {
			tell(n+1, 900)
			time.Sleep(500 * time.Millisecond)
		}
	})
	buf := make([]byte, 1024)
	for _, want := range []string{"11", "21"} {
		n, err := conn.Read(buf)
		require.NoError(t, err)
		assert.Equal(t, "EXTEND_TIMEOUT_USEC=90000000\nSTATUS=taking up rise "+want+" of 900", string(buf[:n]))
	}
	require.NoError(t, conn.SetReadDeadline(time.Now()))
	_, err = conn.Read(buf)
	assert.Error(t, err, "and no more than that")
}
