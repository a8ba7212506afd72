package page

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/web"
)

// BenchmarkLoad holds 50 phones on the event stream and asks 200 times a second
// for pages beside a sampler that takes a reading ten times a second. It prints
// the time to answer and how many readings were missed. Run it on one core:
//
//	go test ./cmd/tidemark/internal/page -run none -bench Load -benchtime 4000x -cpu 1
//
// Phones and server share that core, so a server alone has more room.
func BenchmarkLoad(b *testing.B) {
	s, k := newServer(b, nil)
	ids := fill(b, k.store, 40, 1000)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	srv := web.NewHTTPServer(s, nil)
	go func() { _ = srv.Serve(l) }()
	base := "http://" + l.Addr().String()
	ctx, stop := context.WithCancel(context.Background())
	var all sync.WaitGroup
	var heard atomic.Int64
	for range 50 {
		all.Go(func() { phone(ctx, base, &heard) })
	}
	var taken, due int
	all.Go(func() {
		taken, due = sampler(ctx, func() { k.pass(100 * time.Millisecond) })
	})
	paths := []string{"/", "/api/v1/vessels", "/rises", fmt.Sprintf("/rises/%d", ids[3]), "/api/v1/rises", "/healthz", "/static/tidemark.css", "/api/v1/vessels/tub"}
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 32}}
	took := make([]time.Duration, b.N)
	var asks sync.WaitGroup
	pace := time.NewTicker(5 * time.Millisecond)
	defer pace.Stop()
	busy, begin := cpu(b), time.Now()
	b.ResetTimer()
	for i := range b.N {
		<-pace.C
		asks.Go(func() { took[i] = ask(b, client, base+paths[i%len(paths)]) })
	}
	asks.Wait()
	b.StopTimer()
	b.ReportMetric((cpu(b)-busy).Seconds()/time.Since(begin).Seconds(), "cores")
	stop()
	require.NoError(b, s.Close())
	_ = srv.Close()
	all.Wait()
	slices.Sort(took)
	ms := func(q float64) float64 { return float64(took[int(q*float64(len(took)-1))].Microseconds()) / 1000 }
	b.ReportMetric(ms(0.5), "p50-ms")
	b.ReportMetric(ms(0.99), "p99-ms")
	b.ReportMetric(float64(due-taken), "missed-readings")
	b.ReportMetric(float64(heard.Load()), "phone-bytes")
}

// phone follows the event stream.
func phone(ctx context.Context, base string, heard *atomic.Int64) {
	r, err := http.NewRequestWithContext(ctx, "GET", base+"/events", nil)
	if err != nil {
		return
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return
	}
	defer resp.Body.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := resp.Body.Read(buf)
		heard.Add(int64(n))
		if err != nil {
			return
		}
	}
}

// sampler takes a reading every 100 ms and counts those that were due.
func sampler(ctx context.Context, read func()) (taken, due int) {
	t := time.NewTicker(100 * time.Millisecond)
	defer t.Stop()
	begin := time.Now()
	for {
		select {
		case <-ctx.Done():
			return taken, max(taken, int(time.Since(begin)/(100*time.Millisecond))-1)
		case <-t.C:
			read()
			taken++
		}
	}
}

// ask sends one request and returns how long the whole answer took.
func ask(b *testing.B, c *http.Client, url string) time.Duration {
	begin := time.Now()
	resp, err := c.Get(url)
	if err != nil {
		b.Error(err)
		return 0
	}
	defer resp.Body.Close()
	if resp.StatusCode != 200 {
		b.Errorf("%s: %s", url, resp.Status)
	}
	if _, err := io.Copy(io.Discard, resp.Body); err != nil {
		b.Error(err)
	}
	return time.Since(begin)
}
