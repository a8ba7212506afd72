package sdnotify_test

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/sdnotify"
)

// manager listens like systemd does: a datagram socket named in the environment,
// read all the time, since the kernel holds only a few messages back.
func manager(t *testing.T) <-chan string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	got := make(chan string, 1000)
	go func() {
		defer close(got)
		buf := make([]byte, 1024)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			got <- string(buf[:n])
		}
	}()
	return got
}

// The fields are those of sd_notify(3): READY=1, STOPPING=1, STATUS=text,
// EXTEND_TIMEOUT_USEC=microseconds, each on a line of its own.
func TestStates(t *testing.T) {
	got := manager(t)
	var n sdnotify.Notifier

	require.NoError(t, n.Ready("watching 2 vessels"))
	assert.Equal(t, "READY=1\nSTATUS=watching 2 vessels", <-got)
	require.NoError(t, n.Status("jar\nWATCHDOG=trigger"))
	assert.Equal(t, "STATUS=jar WATCHDOG=trigger", <-got, "a name must not become a field of its own")
	require.NoError(t, n.Stopping())
	assert.Equal(t, "STOPPING=1", <-got)
}

func TestNobodyListens(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	var n sdnotify.Notifier
	assert.NoError(t, n.Ready("watching"))
	assert.NoError(t, n.Watch(context.Background(), sdnotify.NewPulse(nil), nil), "no watchdog in the unit: nothing to do")
}

func TestPulse(t *testing.T) {
	p := sdnotify.NewPulse(map[string]time.Duration{"sampling": time.Hour, "storing": -1})
	p.Beat("nothing of ours")
	stuck := p.Stuck()
	require.Len(t, stuck, 1)
	assert.Contains(t, stuck[0], "storing: nothing for")
}

func TestWatchFeedsAndFallsSilent(t *testing.T) {
	got := manager(t)
	t.Setenv("WATCHDOG_USEC", strconv.Itoa(30_000))
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	p := sdnotify.NewPulse(map[string]time.Duration{"sampling": 200 * time.Millisecond})
	reports := make(chan []string, 10)
	done := make(chan error, 1)
	go func() {
		done <- sdnotify.Notifier{}.Watch(ctx, p, func(stuck []string) { reports <- stuck })
	}()

	assert.Equal(t, "WATCHDOG=1", <-got)
	stuck := <-reports // nobody beats: it must stop feeding and say why
	require.Len(t, stuck, 1)
	assert.Contains(t, stuck[0], "sampling")
	p.Beat("sampling")
	assert.Empty(t, <-reports, "it moves on again")
	cancel()
	require.NoError(t, <-done)
}

func TestWatchRefusesNonsense(t *testing.T) {
	t.Setenv("WATCHDOG_USEC", "soon")
	err := sdnotify.Notifier{}.Watch(t.Context(), sdnotify.NewPulse(nil), nil)
	assert.ErrorContains(t, err, "WatchdogSec=")
}
