package app

import (
	"context"
	"log/slog"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web/access"
)

// aWindow is a machine with its window, opened as at a start.
func aWindow(t *testing.T, dir string) (x windowWatch, restarts *int) {
	t.Helper()
	restarts = new(int)
	x = windowWatch{dir: dir, settings: access.NewMemory(), restart: func() { *restarts++ }, log: slog.New(slog.DiscardHandler)}
	x.window = openWindow(dir, x.log)
	return x, restarts
}

func TestTheWindowIsOpenHalfAnHour(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		x, restarts := aWindow(t, dir)
		require.True(t, x.window.Open())
		began := time.Now()
		x.run(t.Context())
		assert.InDelta(t, 30, time.Since(began).Minutes(), 0.1)
		assert.False(t, x.window.Open())
		assert.Equal(t, 1, *restarts)
		x, _ = aWindow(t, dir)
		assert.False(t, x.window.Open(), "once")
	})
}

// Starting again and again makes it no longer: each start costs a minute.
func TestRestartsDoNotLengthenTheWindow(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		began, starts, first := time.Now(), 0, ""
		for {
			x, _ := aWindow(t, dir)
			if !x.window.Open() {
				break
			}
			if starts++; starts == 1 {
				first = x.window.Code()
			}
			assert.Equal(t, first, x.window.Code(), "the code that was read stays")
			ctx, cancel := context.WithTimeout(t.Context(), 150*time.Second)
			x.run(ctx)
			cancel()
		}
		assert.LessOrEqual(t, time.Since(began), 30*time.Minute)
		assert.Equal(t, 10, starts)
	})
}

func TestAPassphraseEndsTheWindow(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		x, restarts := aWindow(t, dir)
		time.AfterFunc(time.Minute, func() { _ = access.SetPassphrase(context.Background(), x.settings, "flour water salt") })
		x.run(t.Context())
		assert.False(t, x.window.Open())
		assert.Zero(t, *restarts, "the page is open to the house already")
		y, _ := aWindow(t, dir)
		assert.False(t, y.window.Open())
	})
}

func TestSetupOpensTheWindowAgain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		require.NoError(t, keepWindow(dir, noCode, 0))
		x, restarts := aWindow(t, dir)
		require.False(t, x.window.Open())
		var code string
		time.AfterFunc(time.Hour, func() {
			w, err := ReopenWindow(dir)
			if assert.NoError(t, err) {
				code = w.Code()
			}
		})
		x.run(t.Context())
		synctest.Wait() // until the reopening is through
		assert.Equal(t, 1, *restarts)
		x, _ = aWindow(t, dir)
		assert.True(t, x.window.Open())
		assert.Equal(t, code, x.window.Code())
	})
}

// What cannot be kept or read is closed.
func TestTheWindowFailsClosed(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "code X\nminutes 30\n", "code BCDFGHJK\n", "code BCDFGHJK\nminutes -1\n", "\x00\x00"} {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(windowFile(dir), []byte(text), 0o600))
		x, _ := aWindow(t, dir)
		assert.False(t, x.window.Open(), "%q", text)
	}
	x, _ := aWindow(t, "/nowhere/at/all")
	assert.False(t, x.window.Open())
	dir := t.TempDir()
	require.NoError(t, keepWindow(dir, "BCDFGHJK", 900))
	_, left, err := readWindow(dir)
	require.NoError(t, err)
	assert.Equal(t, windowMinutes, left)
	info, err := os.Stat(windowFile(dir))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "nobody else reads the code")
}
