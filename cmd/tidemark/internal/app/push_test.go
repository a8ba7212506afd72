package app

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// pushed watches a rise until its warning has come to the topic server. beside is
// handed the bench before the rise begins.
func pushed(t *testing.T, beside func(b *bench)) {
	t.Helper()
	got := make(chan map[string]any, 16)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		var m map[string]any
		if err == nil && r.Method == http.MethodPost && json.Unmarshal(body, &m) == nil {
			assert.Equal(t, "/", r.URL.Path)
			assert.Equal(t, "Bearer secret-token", r.Header.Get("Authorization"))
			got <- m
		}
		w.WriteHeader(http.StatusOK)
	}))
	defer server.Close()

	text := `
household: {time_zone: UTC}
channels:
  - {name: phone, kind: topic, url: "` + server.URL + `", topic: our-kitchen, token: secret-token, no_picture: true}
vessels:
  - name: tub
    holds: dough
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`
	cfg, err := config.Parse("push.yaml", []byte(text), config.WithoutSensors)
	require.NoError(t, err)
	routes, err := channel.Routes(cfg.Channels, channel.Env{Household: LocaleOf(cfg)})
	require.NoError(t, err)
	b := &bench{t: t, clock: &Stepped{}, start: time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC)}
	b.clock.Set(b.start)
	b.open(t.TempDir(), text, Options{Clock: b.clock, Routes: routes, Listen: "127.0.0.1:0"}, history.Options{Now: b.clock.Now})
	defer b.close()
	beside(b)
	b.run(crossing() - 20*time.Minute)

	select {
	case m := <-got:
		assert.Equal(t, "our-kitchen", m["topic"])
		assert.Contains(t, m["message"], "tub")
		assert.Contains(t, m["message"], "will be at its target")
	case <-time.After(20 * time.Second):
		t.Fatal("no message came")
	}
	require.NoError(t, b.app.Stop(t.Context()))
	alarms, err := b.store.Alarms(t.Context(), 1)
	require.NoError(t, err)
	require.NotEmpty(t, alarms)
	assert.Equal(t, alert.Near, alarms[0].Kind)
}

// openFiles is how many files this process holds open.
func openFiles(t *testing.T) int {
	t.Helper()
	all, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(all)
}

// TestAFloodNeitherBlindsNorGags holds hundreds of connections open that ask
// nothing and opens each anew that is closed, from ten addresses of this machine.
// The rise is watched, its message is sent, and the page holds no more files than
// its share.
func TestAFloodNeitherBlindsNorGags(t *testing.T) {
	t.Parallel()
	const crowd = 800
	const share = 256 // of the page
	var most atomic.Int64
	var all sync.WaitGroup
	stop := make(chan struct{})
	pushed(t, func(b *bench) {
		before := openFiles(t)
		var opened atomic.Int64
		for i := range crowd {
			all.Go(func() { besiege(b.app.Address(), fmt.Sprintf("127.0.0.%d", 10+i%10), &opened, stop) })
		}
		for opened.Load() < 2*crowd { // each was there, and as many came again
			most.Store(max(most.Load(), int64(openFiles(t)-before)))
		}
	})
	close(stop)
	all.Wait()
	assert.LessOrEqual(t, most.Load(), int64(crowd+share+40), "the crowd's own files, the page's share and some room")
}

// besiege keeps one idle connection open until stop.
func besiege(address, from string, opened *atomic.Int64, stop <-chan struct{}) {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
	for {
		c, err := d.Dial("tcp", address)
		if err != nil {
			return // the page has ended
		}
		opened.Add(1)
		shut := make(chan struct{})
		go func() {
			_, _ = c.Read(make([]byte, 1))
			close(shut)
		}()
		select {
		case <-stop:
			_ = c.Close()
			<-shut
			return
		case <-shut:
			_ = c.Close()
		}
	}
}
