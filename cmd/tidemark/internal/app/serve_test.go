package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
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

// TestThePageStaysOnThisMachineWithoutAPassphrase lets it out to the house only
// once the household has set one.
func TestThePageStaysOnThisMachineWithoutAPassphrase(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	rows := []struct{ asked, without, with string }{
		{"127.0.0.1:8080", "127.0.0.1:8080", "127.0.0.1:8080"},
		{"localhost:8080", "localhost:8080", "localhost:8080"},
		{"[::1]:8080", "[::1]:8080", "[::1]:8080"},
		{":8080", "127.0.0.1:8080", ":8080"},
		{"0.0.0.0:8080", "127.0.0.1:8080", "0.0.0.0:8080"},
		{"[::]:8080", "127.0.0.1:8080", "[::]:8080"},
		{"192.168.1.5:8080", "127.0.0.1:8080", "192.168.1.5:8080"},
		{"kitchen.local:8080", "127.0.0.1:8080", "kitchen.local:8080"},
	}
	for _, r := range rows {
		got, _, err := b.app.allowedAddress(t.Context(), r.asked)
		require.NoError(t, err)
		assert.Equal(t, r.without, got, "asked for %s", r.asked)
	}
	require.NoError(t, access.SetPassphrase(t.Context(), b.store.Settings(), "flour water salt time"))
	for _, r := range rows {
		got, _, err := b.app.allowedAddress(t.Context(), r.asked)
		require.NoError(t, err)
		assert.Equal(t, r.with, got, "asked for %s", r.asked)
	}
	_, _, err := b.app.allowedAddress(t.Context(), "8080")
	require.ErrorContains(t, err, "not an address with a port")
}

// TestWithoutAStoreThePageStaysOnThisMachine has nowhere to look for a passphrase.
func TestWithoutAStoreThePageStaysOnThisMachine(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	a, err := New(Options{Config: b.app.opt.Config, Clock: b.clock})
	require.NoError(t, err)
	got, _, err := a.allowedAddress(t.Context(), ":80")
	require.NoError(t, err)
	assert.Equal(t, "127.0.0.1:80", got)
}

// The page's own certificate vouches for the names that the house uses, is kept over a
// restart and made anew before it ends, when a name is new or the file is no use.
func TestTheCertificateOfItsOwn(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	dir := t.TempDir()
	b.app.opt.Config.StateDir = dir
	own := func(hosts ...string) *x509.Certificate {
		c, err := b.app.certificate(config.Web{TLS: "own", Hosts: hosts})
		require.NoError(t, err)
		return c.Certificates[0].Leaf
	}
	first := own()
	host, err := os.Hostname()
	require.NoError(t, err)
	for _, name := range []string{"localhost", host + ".local", "127.0.0.1"} {
		assert.NoError(t, first.VerifyHostname(name))
	}
	assert.False(t, first.IsCA, "it vouches for nobody else")
	info, err := os.Stat(filepath.Join(dir, "page.pem"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	assert.Equal(t, first.Raw, own().Raw, "kept")
	second := own("bread.home.arpa")
	assert.NoError(t, second.VerifyHostname("bread.home.arpa"))
	b.clock.Set(b.start.Add(certificateSpan - certificateRest + time.Hour))
	third := own("bread.home.arpa")
	assert.True(t, third.NotAfter.After(second.NotAfter), "made anew before it ends")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "page.pem"), []byte("no certificate"), 0o600))
	fourth := own("bread.home.arpa")
	assert.NotEqual(t, third.Raw, fourth.Raw)
	assert.Equal(t, fourth.Raw, own("bread.home.arpa").Raw)

	b.app.opt.Config.StateDir = filepath.Join(dir, "gone") // a disk that takes nothing keeps no page away
	assert.NoError(t, own().VerifyHostname("localhost"))
}

// The page answers over TLS, and its login cookie is for TLS alone.
func TestThePageOverTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	b := &bench{t: t, clock: &Stepped{}}
	b.clock.Set(time.Now())
	b.open(dir, "state_dir: "+dir+"\nweb: {tls: own}\n"+benchConfig, Options{Clock: b.clock, Listen: "127.0.0.1:0"}, history.Options{Now: b.clock.Now})
	defer b.close()
	pem, err := os.ReadFile(filepath.Join(dir, "page.pem"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(pem))
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	defer client.CloseIdleConnections()
	r, err := client.Get("https://" + b.app.Address() + "/")
	require.NoError(t, err)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	assert.Equal(t, http.StatusOK, r.StatusCode)
	assert.Contains(t, string(body), "<html")
}
