package remote

import (
	"context"
	"net"
	"net/url"

	"github.com/eclipse/paho.golang/autopaho"
)

// NewHubVia makes a Hub that reaches every broker by dial, for tests.
func NewHubVia(dial func() net.Conn) *Hub {
	h := NewHub()
	h.dial = func(context.Context, autopaho.ClientConfig, *url.URL) (net.Conn, error) { return dial(), nil }
	return h
}

// Arrive acts as if a message had come from a connected broker, for tests.
func (m *MQTT) Arrive(payload string) {
	m.setTrouble("")
	m.keep([]byte(payload))
}

// Offline keeps the source from connecting, for tests.
func (m *MQTT) Offline() { m.started.Do(func() { m.setTrouble("") }) }

// BackOff is the pause before connection attempt n, for tests.
var BackOff = backOff
