package remote

import (
	"context"
	"errors"
	"net"
	"net/url"
	"sync"

	"github.com/eclipse/paho.golang/autopaho"
)

// Hub keeps one connection for each login to a broker, shared by all sources with
// that login: made when the first is read, ended when the last is closed. It may be
// used by several goroutines. Make it with NewHub.
type Hub struct {
	mu   sync.Mutex
	open map[login]*connection
	dial dialer
}

// dialer reaches a broker; nil = over the network.
type dialer func(context.Context, autopaho.ClientConfig, *url.URL) (net.Conn, error)

// NewHub makes a Hub without connections.
func NewHub() *Hub { return &Hub{open: map[login]*connection{}} }

// join lets a source take part in the connection of its login.
func (h *Hub) join(m *MQTT) *connection {
	h.mu.Lock()
	defer h.mu.Unlock()
	key := m.opt.login()
	c, ok := h.open[key]
	if !ok {
		c = connect(key, h.dial)
		h.open[key] = c
	}
	c.sources++
	c.add(m)
	return c
}

// leave ends the part of a source in a connection.
func (h *Hub) leave(m *MQTT, c *connection) error {
	if h.left(m, c) > 0 {
		return nil
	}
	return c.close()
}

// left takes a source out and gives how many are left.
func (h *Hub) left(m *MQTT, c *connection) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	c.remove(m)
	c.sources--
	if c.sources == 0 && h.open[c.login] == c {
		delete(h.open, c.login)
	}
	return c.sources
}

// Close ends every connection. Sources of this Hub must not be read any more.
func (h *Hub) Close() error {
	h.mu.Lock()
	open := h.open
	h.open = map[login]*connection{}
	h.mu.Unlock()
	var errs []error
	for _, c := range open {
		errs = append(errs, c.close())
	}
	return errors.Join(errs...)
}
