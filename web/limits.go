package web

import (
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

// limitConns bounds how many connections of srv are open at once, in all and by address.
// When there is no room for a new one, the connection that has waited longest for a
// request makes room: one of the same address when that is full, otherwise one of the
// address that has most. When none waits, the new one is closed.
func limitConns(srv *http.Server) {
	l := &connLimit{open: map[net.Conn]*limitedConn{}, by: map[string]int{}}
	srv.ConnState = l.note
}

// connLimit counts the open connections of a server.
type connLimit struct {
	mu   sync.Mutex
	open map[net.Conn]*limitedConn
	by   map[string]int // their number by address
}

// limitedConn is one connection: its address, whether a request of it is being answered, and
// since when that is so.
type limitedConn struct {
	from  string
	busy  bool
	since time.Time
}

// note takes in what became of a connection.
func (l *connLimit) note(c net.Conn, state http.ConnState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch state {
	case http.StateNew:
		l.admit(c, hostOf(c.RemoteAddr().String()))
	case http.StateClosed, http.StateHijacked:
		l.drop(c)
	default:
		if x := l.open[c]; x != nil {
			x.busy, x.since = state == http.StateActive, time.Now()
		}
	}
}

// admit takes a connection in and makes room for it, or closes it.
func (l *connLimit) admit(c net.Conn, from string) {
	full := l.by[from] >= share(from, maxConnsByAddress, maxConnsLocal)
	if full || len(l.open) >= maxConns {
		gone := l.idlest(func(x *limitedConn) bool { return !full || x.from == from })
		if gone == nil {
			hangUp(c) // it was never served
			return
		}
		l.drop(gone)
		hangUp(gone) // its reader notices
	}
	l.open[c] = &limitedConn{from: from, since: time.Now()}
	l.by[from]++
}

// hangUp closes a connection, one over TLS without a farewell that could wait.
func hangUp(c net.Conn) {
	if inner, ok := c.(interface{ NetConn() net.Conn }); ok {
		c = inner.NetConn()
	}
	_ = c.Close()
}

// idlest is the connection that has waited longest without a request, of the
// address with the most connections; nil when none waits.
func (l *connLimit) idlest(among func(*limitedConn) bool) (found net.Conn) {
	for c, x := range l.open {
		if x.busy || !among(x) {
			continue
		}
		if best := l.open[found]; best == nil || l.by[x.from] > l.by[best.from] || l.by[x.from] == l.by[best.from] && x.since.Before(best.since) {
			found = c
		}
	}
	return found
}

// drop forgets a connection; a second time does nothing.
func (l *connLimit) drop(c net.Conn) {
	x := l.open[c]
	if x == nil {
		return
	}
	delete(l.open, c)
	if l.by[x.from]--; l.by[x.from] == 0 {
		delete(l.by, x.from)
	}
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
