package page

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web"
)

// mostConns is what the page may hold open at once.
const mostConns = 256

// crowd is a server with limits whose handler answers, or waits when asked to.
type crowd struct {
	t      *testing.T
	addr   string
	goOn   chan struct{} // lets those that wait go on
	begun  chan struct{} // one for each request that waits
	closed atomic.Int64  // connections that the server has closed
	conns  []net.Conn
}

func newCrowd(t *testing.T) *crowd {
	c := &crowd{t: t, goOn: make(chan struct{}), begun: make(chan struct{}, 1000)}
	srv := web.NewHTTPServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/wait" {
			c.begun <- struct{}{}
			<-c.goOn
		}
		_, _ = io.WriteString(w, "served")
	}), nil)
	srv.ReadHeaderTimeout = time.Hour // what is measured is the number, not the time
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c.addr = ln.Addr().String()
	go func() { _ = srv.Serve(ln) }()
	t.Cleanup(func() {
		close(c.goOn)
		_ = srv.Close()
		for _, x := range c.conns {
			_ = x.Close()
		}
	})
	return c
}

// dial opens a connection from an address of this machine.
func (c *crowd) dial(from string) net.Conn {
	c.t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 20 * time.Second}
	x, err := d.Dial("tcp", c.addr)
	require.NoError(c.t, err)
	c.conns = append(c.conns, x)
	return x
}

// idle opens n connections that ask nothing and counts those that are closed.
func (c *crowd) idle(from string, n int) {
	c.t.Helper()
	for range n {
		x := c.dial(from)
		go func() {
			_, _ = x.Read(make([]byte, 1))
			c.closed.Add(1)
		}()
	}
}

// ask sends a request and returns the answer's body.
func (c *crowd) ask(from string) string {
	c.t.Helper()
	x := c.dial(from)
	require.NoError(c.t, x.SetDeadline(time.Now().Add(20*time.Second)))
	_, err := io.WriteString(x, "GET / HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n")
	require.NoError(c.t, err)
	r, err := http.ReadResponse(bufio.NewReader(x), nil)
	require.NoError(c.t, err, "the newcomer from %s was not served", from)
	body, err := io.ReadAll(r.Body)
	require.NoError(c.t, err)
	return string(body)
}

// gone waits until the server has closed n connections.
func (c *crowd) gone(n int64) {
	c.t.Helper()
	require.Eventually(c.t, func() bool { return c.closed.Load() >= n }, 20*time.Second, time.Millisecond)
}

// TestAFloodOfIdleConnectionsIsCut opens far more connections than there is room
// for: the page keeps its share and newcomers are served at once.
func TestAFloodOfIdleConnectionsIsCut(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	for i := range 6 {
		c.idle(fmt.Sprintf("127.0.0.%d", 10+i), 100)
	}
	c.gone(600 - mostConns)
	for i := range 20 {
		assert.Equal(t, "served", c.ask(fmt.Sprintf("127.0.1.%d", 1+i)))
	}
}

// TestOneAddressHasItsShare: the flood of one leaves the connections of others be.
func TestOneAddressHasItsShare(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	c.idle("127.0.0.9", 20)
	c.idle("127.0.0.10", 600)
	c.gone(600 - mostConns/2)
	assert.Equal(t, int64(600-mostConns/2), c.closed.Load(), "and none of the other address")
	assert.Equal(t, "served", c.ask("127.0.0.10"), "an address makes room for itself")
}

// TestRequestsAreNotCutForNewcomers: what is being answered stays, whoever comes.
func TestRequestsAreNotCutForNewcomers(t *testing.T) {
	t.Parallel()
	c := newCrowd(t)
	var all sync.WaitGroup
	var served atomic.Int64
	for i := range mostConns {
		x := c.dial(fmt.Sprintf("127.0.0.%d", 10+i/100))
		all.Go(func() {
			_, err := io.WriteString(x, "GET /wait HTTP/1.1\r\nHost: h\r\n\r\n")
			if r, err2 := http.ReadResponse(bufio.NewReader(x), nil); err == nil && err2 == nil && r.StatusCode == 200 {
				served.Add(1)
			}
		})
	}
	for range mostConns {
		<-c.begun
	}
	c.idle("127.0.0.50", 50)
	c.gone(50)
	for range mostConns {
		c.goOn <- struct{}{}
	}
	all.Wait()
	assert.EqualValues(t, mostConns, served.Load())
	assert.Equal(t, "served", c.ask("127.0.0.50"), "their places are free again")
}

// TestTheServiceMayOpenFarMoreFiles holds the limit against the service's own.
func TestTheServiceMayOpenFarMoreFiles(t *testing.T) {
	t.Parallel()
	unit, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "deploy", "package", "tidemark.service"))
	require.NoError(t, err)
	m := regexp.MustCompile(`(?m)^LimitNOFILE=(\d+)$`).FindSubmatch(unit)
	require.NotNil(t, m)
	files, err := strconv.Atoi(string(m[1]))
	require.NoError(t, err)
	assert.LessOrEqual(t, 4*2*mostConns, files, "page and metrics have a listener each; three quarters are left")
}

// TestStreamsAreSharedByAddress: one address cannot take all event streams, and a
// proxy on this machine is no single address.
func TestStreamsAreSharedByAddress(t *testing.T) {
	t.Parallel()
	s, _, _ := locked(t, true)
	open := func(n int, remote, forwarded string) (served, full int) {
		for range n {
			r := request("GET", "/events", nil)
			r.RemoteAddr = remote
			if forwarded != "" {
				r.Header.Set("X-Forwarded-For", forwarded)
			}
			if streamed(t, s, r) == http.StatusServiceUnavailable {
				full++
			} else {
				served++
			}
		}
		return served, full
	}
	served, full := open(100, "192.168.1.9:50000", "10.9.9.9")
	assert.Equal(t, []int{24, 76}, []int{served, full}, "a stranger's header counts for nothing")
	served, full = open(10, "192.168.1.10:50000", "")
	assert.Equal(t, []int{10, 0}, []int{served, full})
	served, full = open(50, "127.0.0.1:50000", "1.1.1.1, 192.168.1.11")
	assert.Equal(t, []int{24, 26}, []int{served, full})
	served, full = open(10, "[::1]:50000", "192.168.1.12")
	assert.Equal(t, []int{10, 0}, []int{served, full})
}
