package app

import (
	"crypto/tls"
	"crypto/x509"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/config"
)

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
	cfg, err := config.Parse("tls.yaml", []byte("state_dir: "+dir+"\nweb: {tls: own}\n"+benchConfig), config.WithoutSensors)
	require.NoError(t, err)
	clock := &Stepped{}
	clock.Set(time.Now())
	a, err := New(Options{Config: cfg, Clock: clock, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer func() { assert.NoError(t, a.Stop(t.Context())) }()
	pem, err := os.ReadFile(filepath.Join(dir, "page.pem"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(pem))
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	defer client.CloseIdleConnections()
	r, err := client.Get("https://" + a.Address() + "/")
	require.NoError(t, err)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	assert.Equal(t, http.StatusOK, r.StatusCode)
	assert.Contains(t, string(body), "<html")
}
