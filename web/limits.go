package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"
)

// The most connections and event streams that are open at once, in all and by
// address. They lie far below the 4096 files that the service may hold open, so
// that database, sensors and messages never lack one. This machine's own address
// may have half of all: a proxy asks for everybody.
const (
	maxConns, maxConnsByAddress, maxConnsLocal       = 256, 64, 128
	maxStreams, maxStreamsByAddress, maxStreamsLocal = 128, 24, 64
)

// LimitConns bounds how many connections of srv, accepted by ln, are open at once,
// in all and by address, and returns the listener to serve. When there is no room
// for a new one, the connection that has waited longest for a request makes room:
// one of the same address when that is full, otherwise one of the address that has
// most. When none waits, the new one is closed.
func LimitConns(srv *http.Server, ln net.Listener) net.Listener {
	l := &connLimit{Listener: ln, open: map[*limitedConn]struct{}{}, by: map[string]int{}}
	before := srv.ConnContext
	srv.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		if before != nil {
			ctx = before(ctx, c)
		}
		if inner, ok := c.(interface{ NetConn() net.Conn }); ok { // over TLS
			c = inner.NetConn()
		}
		return context.WithValue(ctx, connKey{}, c)
	}
	next := srv.Handler
	srv.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, ok := r.Context().Value(connKey{}).(*limitedConn); ok {
			l.busy(c, 1)
			defer l.busy(c, -1)
		}
		next.ServeHTTP(w, r)
	})
	return l
}

// connKey finds the connection of a request.
type connKey struct{}

// connLimit is a listener whose connections are bounded.
type connLimit struct {
	net.Listener
	mu   sync.Mutex
	open map[*limitedConn]struct{}
	by   map[string]int
}

// limitedConn is one connection. All but its address is guarded by its limit.
type limitedConn struct {
	net.Conn
	limit    *connLimit
	from     string
	requests int       // that are being answered
	since    time.Time // when the last one ended, or the connection was opened
}

// Accept returns the next connection that there is room for.
func (l *connLimit) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		lc := &limitedConn{Conn: c, limit: l, from: hostOf(c.RemoteAddr().String()), since: time.Now()}
		if l.admit(lc) {
			return lc, nil
		}
		_ = c.Close() // it was never served
	}
}

// admit takes a connection in and makes room for it.
func (l *connLimit) admit(c *limitedConn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	var gone *limitedConn
	switch {
	case l.by[c.from] >= share(c.from, maxConnsByAddress, maxConnsLocal):
		gone = l.idlest(func(o *limitedConn) bool { return o.from == c.from })
	case len(l.open) >= maxConns:
		gone = l.idlest(func(*limitedConn) bool { return true })
	default:
		l.take(c)
		return true
	}
	if gone == nil {
		return false
	}
	l.drop(gone)
	_ = gone.Conn.Close() // its reader notices
	l.take(c)
	return true
}

// idlest is the connection that has waited longest without a request, of the
// address with the most connections; nil when none waits. The lock is held.
func (l *connLimit) idlest(among func(*limitedConn) bool) *limitedConn {
	var found *limitedConn
	for c := range l.open {
		if c.requests > 0 || !among(c) {
			continue
		}
		if found == nil || l.by[c.from] > l.by[found.from] || l.by[c.from] == l.by[found.from] && c.since.Before(found.since) {
			found = c
		}
	}
	return found
}

func (l *connLimit) take(c *limitedConn) {
	l.open[c] = struct{}{}
	l.by[c.from]++
}

// drop forgets a connection; a second time does nothing. The lock is held.
func (l *connLimit) drop(c *limitedConn) {
	if _, ok := l.open[c]; !ok {
		return
	}
	delete(l.open, c)
	if l.by[c.from]--; l.by[c.from] == 0 {
		delete(l.by, c.from)
	}
}

// busy notes that n more requests of a connection are being answered.
func (l *connLimit) busy(c *limitedConn, n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	c.requests, c.since = c.requests+n, time.Now()
}

// Close closes the connection and gives its place away.
func (c *limitedConn) Close() error {
	c.limit.mu.Lock()
	c.limit.drop(c)
	c.limit.mu.Unlock()
	return c.Conn.Close()
}

// share is what one address may have.
func share(from string, usual, local int) int {
	if ip, err := netip.ParseAddr(from); err == nil && ip.IsLoopback() {
		return local
	}
	return usual
}

// hostOf is an IP address without port and zone, one form for each.
func hostOf(remote string) string {
	if ap, err := netip.ParseAddrPort(remote); err == nil {
		return ap.Addr().Unmap().WithZone("").String()
	}
	return remote
}

// asker is the address that limits count: the peer's, or the one that a proxy on
// this machine names last, which it wrote itself. It decides nothing else.
func asker(r *http.Request) string {
	from := hostOf(r.RemoteAddr)
	if ip, err := netip.ParseAddr(from); err != nil || !ip.IsLoopback() {
		return from
	}
	named := r.Header.Values("X-Forwarded-For")
	if len(named) == 0 {
		return from
	}
	last := named[len(named)-1]
	ip, err := netip.ParseAddr(strings.TrimSpace(last[strings.LastIndex(last, ",")+1:]))
	if err != nil {
		return from
	}
	return ip.Unmap().WithZone("").String()
}

// streamCount bounds the event streams that are open.
type streamCount struct {
	mu sync.Mutex
	n  int
	by map[string]int
}

// enter takes a place for one more stream of an address; leave gives it back.
func (c *streamCount) enter(from string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.n >= maxStreams || c.by[from] >= share(from, maxStreamsByAddress, maxStreamsLocal) {
		return false
	}
	if c.by == nil {
		c.by = map[string]int{}
	}
	c.n++
	c.by[from]++
	return true
}

func (c *streamCount) leave(from string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n--
	if c.by[from]--; c.by[from] == 0 {
		delete(c.by, from)
	}
}
