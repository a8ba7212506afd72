package app

import (
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
)

// TestTheWatchdogIsFedWhileTheWatchMovesOn listens as systemd does: sd_notify(3),
// sd_watchdog_enabled(3).
func TestTheWatchdogIsFedWhileTheWatchMovesOn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer conn.Close()
	heard := make(chan string, 1)
	go func() { // all the time: the kernel holds only a few messages back
		buf := make([]byte, 100)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			select {
			case heard <- string(buf[:n]):
			default:
			}
		}
	}()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "30000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	logged := make(chan struct{}, 10)
	a := &App{log: slog.New(slog.NewTextHandler(lines(logged), nil)), opt: Options{Config: &config.Config{Vessels: []config.Vessel{{Height: &sensor.IIO{}}}}}}
	a.lastAdvanceAt.note()
	a.lastReadAt.note()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { a.feedWatchdog(ctx); close(done) }()
	assert.Equal(t, "WATCHDOG=1", <-heard)
	old := time.Now().Add(-stuckAfter - time.Second)
	a.lastReadAt.at.Store(&old)
	<-logged
	assert.ErrorContains(t, a.stuck(), "sampling: nothing for")
	a.lastReadAt.note()
	for len(heard) > 0 { // from before
		<-heard
	}
	assert.Equal(t, "WATCHDOG=1", <-heard)
	cancel()
	<-done

	a.opt.Config.Vessels = []config.Vessel{{ByHand: true}}
	a.lastReadAt.at.Store(&old)
	assert.NoError(t, a.stuck(), "there is nothing to read where all is told by eye")
	t.Setenv("WATCHDOG_USEC", "soon")
	a.feedWatchdog(t.Context())
	<-logged
	t.Setenv("WATCHDOG_USEC", "")
	a.feedWatchdog(t.Context())
}

// lines tells of each line of a log.
type lines chan struct{}

func (c lines) Write(b []byte) (int, error) {
	c <- struct{}{}
	return len(b), nil
}
