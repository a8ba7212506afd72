package web

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
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
// request makes room: one of the same address when that is full. When none waits, the new
// one is closed.
func limitConns(srv *http.Server) {
	l := &connLimit{open: map[net.Conn]*limitedConn{}}
	srv.ConnState = l.note
}

// connLimit holds the open connections of a server.
type connLimit struct {
	mu   sync.Mutex
	open map[net.Conn]*limitedConn
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
		delete(l.open, c)
	default:
		if x := l.open[c]; x != nil {
			x.busy, x.since = state == http.StateActive, time.Now()
		}
	}
}

// admit takes a connection in and makes room for it, or closes it.
func (l *connLimit) admit(c net.Conn, from string) {
	var idle, own net.Conn // that have waited longest, of all and of this address
	mine := 0
	longer := func(c, than net.Conn) bool { return than == nil || l.open[c].since.Before(l.open[than].since) }
	for x, y := range l.open {
		if y.from == from {
			mine++
		}
		if !y.busy && longer(x, idle) {
			idle = x
		}
		if !y.busy && y.from == from && longer(x, own) {
			own = x
		}
	}
	full := mine >= share(from, maxConnsByAddress, maxConnsLocal)
	if full {
		idle = own
	}
	if full || len(l.open) >= maxConns {
		if idle == nil {
			hangUp(c) // it was never served
			return
		}
		delete(l.open, idle)
		hangUp(idle) // its reader notices
	}
	l.open[c] = &limitedConn{from: from, since: time.Now()}
}

// hangUp closes a connection, one over TLS without a farewell that could wait.
func hangUp(c net.Conn) {
	if inner, ok := c.(interface{ NetConn() net.Conn }); ok {
		c = inner.NetConn()
	}
	_ = c.Close()
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
	mu   sync.Mutex
	from []string // the address of each
}

// enter takes a place for one more stream of an address; leave gives it back.
func (c *streamCount) enter(from string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	mine := 0
	for _, x := range c.from {
		if x == from {
			mine++
		}
	}
	if len(c.from) >= maxStreams || mine >= share(from, maxStreamsByAddress, maxStreamsLocal) {
		return false
	}
	c.from = append(c.from, from)
	return true
}

func (c *streamCount) leave(from string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.Index(c.from, from)
	c.from = slices.Delete(c.from, i, i+1)
}
