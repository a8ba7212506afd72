package app

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
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

// TestTheWindowIsOpenHalfAnHour, once: restarts make it no longer, for each costs a minute,
// and a passphrase ends it. tidemark setup opens it again.
func TestTheWindowIsOpenHalfAnHour(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		runs       time.Duration // until the next start; 0 for as long as it is open
		passphrase time.Duration // when one is set; 0 for never
		starts     int
		open       time.Duration
		restarts   int
	}{
		"once":         {starts: 1, open: 30 * time.Minute, restarts: 1},
		"restarts":     {runs: 150 * time.Second, starts: 10, open: 25 * time.Minute},
		"a passphrase": {passphrase: time.Minute, starts: 1, open: time.Minute},
	} {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			began, starts, code, settings := time.Now(), 0, "", access.NewMemory()
			if c.passphrase > 0 {
				time.AfterFunc(c.passphrase, func() { _ = access.SetPassphrase(context.Background(), settings, "flour water salt") })
			}
			for {
				x, restarts := aWindow(t, dir)
				x.settings = settings
				if !x.window.Open() {
					break
				}
				starts++
				assert.True(t, code == "" || code == x.window.Code(), "%s: the code that was read stays", name)
				code = x.window.Code()
				ctx, cancel := context.WithTimeout(t.Context(), cmp.Or(c.runs, time.Hour))
				x.run(ctx)
				cancel()
				assert.Equal(t, c.restarts, *restarts, name)
			}
			assert.Equal(t, c.starts, starts, name)
			assert.InDelta(t, c.open.Minutes(), time.Since(began).Minutes(), 0.1, name)

			if c.passphrase > 0 {
				return
			}
			x, restarts := aWindow(t, dir)
			time.AfterFunc(time.Hour, func() {
				w, err := ReopenWindow(dir)
				if assert.NoError(t, err) {
					code = w.Code()
				}
			})
			x.run(t.Context())
			synctest.Wait() // until the reopening is through
			assert.Equal(t, 1, *restarts, name)
			x, _ = aWindow(t, dir)
			assert.True(t, x.window.Open(), name)
			assert.Equal(t, code, x.window.Code(), name)
		})
	}
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
	for _, locked := range []bool{false, true} {
		if locked {
			require.NoError(t, access.SetPassphrase(t.Context(), b.store.Settings(), "flour water salt time"))
		}
		for _, r := range rows {
			got, _, err := b.app.allowedAddress(t.Context(), r.asked)
			require.NoError(t, err)
			assert.Equal(t, map[bool]string{false: r.without, true: r.with}[locked], got, "asked for %s", r.asked)
		}
	}
	_, _, err := b.app.allowedAddress(t.Context(), "8080")
	require.ErrorContains(t, err, "not an address with a port")
}

// The page's own certificate vouches for the names that the house uses, is kept over a
// restart and made anew before it ends, when a name is new or the file is no use.
func TestTheCertificateOfItsOwn(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	dir := b.app.opt.Config.StateDir
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
	b := newBenchOf(t, "web: {tls: own}\n"+benchConfig, Options{Listen: "127.0.0.1:0"})
	pem, err := os.ReadFile(filepath.Join(b.app.opt.Config.StateDir, "page.pem"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(pem))
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, Time: b.clock.Now}}}
	defer client.CloseIdleConnections()
	status, body := get(t, client, "https://"+b.app.Address()+"/")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "<html")
}
