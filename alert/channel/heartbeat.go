package channel

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"tidemark/alert"
)

// Times of a Heartbeat.
const (
	heartbeatEvery = time.Minute
	heartbeatLimit = 15 * time.Second
)

// Heartbeat calls an address outside the house again and again, but only while
// its proof holds. Whoever is behind the address can then tell when the calls
// stop, which the program itself cannot when it is dead.
type Heartbeat struct {
	url   alert.Secret
	proof func() error
	post  *poster
	log   *slog.Logger

	mu   sync.Mutex
	last time.Time
	err  error
}

// NewHeartbeat returns a Heartbeat; Run makes it beat.
func NewHeartbeat(url alert.Secret, proof func() error, log *slog.Logger) *Heartbeat {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	s := &secrets{}
	s.hide(url.Reveal())
	return &Heartbeat{url: url, proof: proof, log: log, post: newPoster("", s, &tls.Config{MinVersion: tls.VersionTLS12})}
}

// Run beats at once and then every minute until ctx ends.
func (h *Heartbeat) Run(ctx context.Context) {
	ticker := time.NewTicker(heartbeatEvery)
	defer ticker.Stop()
	defer h.post.Close()
	for {
		h.note(h.beat(ctx))
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// beat makes one call when the proof holds. The error says what stands still or
// what the other side answered.
func (h *Heartbeat) beat(ctx context.Context) error {
	if err := h.proof(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, heartbeatLimit)
	defer cancel()
	_, err := h.post.send(ctx, http.MethodGet, h.url.Reveal(), http.Header{}, nil)
	return err
}

// note remembers how a beat went and logs a change.
func (h *Heartbeat) note(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if (err == nil) != (h.err == nil) && !errors.Is(err, context.Canceled) {
		if err != nil {
			h.log.Warn("no heartbeat sent", "reason", err)
		} else {
			h.log.Info("heartbeat sent again")
		}
	}
	if h.err = err; err == nil {
		h.last = time.Now()
	}
}

// Last returns when the last beat was taken.
func (h *Heartbeat) Last() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.last
}
