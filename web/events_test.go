package web_test

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web"
	"tidemark/web/internal/kitchen"
)

// event is one server-sent event.
type event struct{ name, id, data string }

// listener is a reader of a stream.
type listener struct {
	mu     sync.Mutex
	header http.Header
	text   strings.Builder
	stop   context.CancelFunc
	done   chan struct{}
}

func (l *listener) Header() http.Header { return l.header }
func (l *listener) WriteHeader(int)     {}
func (l *listener) Flush()              {}
func (l *listener) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

// events are what came so far.
func (l *listener) events() []event {
	l.mu.Lock()
	defer l.mu.Unlock()
	var out []event
	for _, block := range strings.Split(strings.TrimSuffix(l.text.String(), "\n\n"), "\n\n") {
		var e event
		for _, line := range strings.Split(block, "\n") {
			field, value, _ := strings.Cut(line, ": ")
			switch field {
			case "event":
				e.name = value
			case "id":
				e.id = value
			case "data":
				e.data = value
			}
		}
		if e.name != "" {
			out = append(out, e)
		}
	}
	return out
}

// hear opens a stream, as a reader that has the given state already.
func hear(s http.Handler, path, lastID string) *listener {
	ctx, cancel := context.WithCancel(context.Background())
	l := &listener{header: http.Header{}, stop: cancel, done: make(chan struct{})}
	r := request("GET", path, nil).WithContext(ctx)
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	go func() { defer close(l.done); s.ServeHTTP(l, r) }()
	return l
}

// inBubble runs a test with a server on a clock of its own.
func inBubble(t *testing.T, f func(t *testing.T, s *web.Server, k *kitchen.Kitchen)) {
	zone := berlin(t)
	synctest.Test(t, func(t *testing.T) {
		k := kitchen.New(zone)
		s, err := web.New(web.Options{Live: k})
		require.NoError(t, err)
		f(t, s, k)
		require.NoError(t, s.Close())
		synctest.Wait()
	})
}

func TestStreamSendsWhatChanged(t *testing.T) {
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen.Kitchen) {
		l := hear(s, "/events", "")
		synctest.Wait()
		first := l.events()
		require.Len(t, first, 1)
		assert.Equal(t, "parts", first[0].name)
		assert.Equal(t, "1", first[0].id)
		var all struct{ Parts map[string]string }
		require.NoError(t, json.Unmarshal([]byte(first[0].data), &all))
		assert.Len(t, all.Parts, 2+3*6, "system, glance and six parts of each vessel")

		k.Change(func(_ *time.Time, v []web.Vessel, _ *web.System) { v[0].Estimate.RisePercent = 81 })
		synctest.Wait()
		second := l.events()
		require.Len(t, second, 2)
		var some struct{ Parts map[string]string }
		require.NoError(t, json.Unmarshal([]byte(second[1].data), &some))
		require.Len(t, some.Parts, 1)
		assert.Contains(t, some.Parts["v0-answer"], "Now 81\u00a0%")
		assert.NotContains(t, some.Parts["v0-answer"], "csrf", "a shared part holds no token")
		l.stop()
		<-l.done
	})
}

func TestStreamIsSlowedToTwoASecond(t *testing.T) {
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen.Kitchen) {
		l := hear(s, "/events", "")
		synctest.Wait()
		for range 100 {
			k.Change(func(_ *time.Time, v []web.Vessel, _ *web.System) { v[0].Estimate.RisePercent++ })
			time.Sleep(50 * time.Millisecond)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		ev := l.events()
		assert.LessOrEqual(t, len(ev), 13, "5 s of changes")
		assert.GreaterOrEqual(t, len(ev), 9)
		assert.Equal(t, "101", ev[len(ev)-1].id, "the newest state came")
		l.stop()
		<-l.done
	})
}

func TestStreamBeats(t *testing.T) {
	inBubble(t, func(t *testing.T, s *web.Server, _ *kitchen.Kitchen) {
		l := hear(s, "/events", "")
		time.Sleep(61 * time.Second)
		synctest.Wait()
		beats := 0
		for _, e := range l.events() {
			if e.name == "beat" {
				beats++
				assert.Empty(t, e.id, "a beat is no state")
				assert.Contains(t, e.data, "clock")
			}
		}
		assert.Equal(t, 4, beats, "every 15 s")
		l.stop()
		<-l.done
	})
}

func TestStreamGoesOnWhereItBrokeOff(t *testing.T) {
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen.Kitchen) {
		same := hear(s, "/api/v1/events", "1")
		old := hear(s, "/api/v1/events", "0")
		odd := hear(s, "/api/v1/events", "x")
		synctest.Wait()
		assert.Equal(t, "beat", same.events()[0].name, "nothing new, but the link is shown to live")
		assert.Equal(t, "vessels", old.events()[0].name)
		assert.Equal(t, "vessels", odd.events()[0].name)
		k.Change(func(*time.Time, []web.Vessel, *web.System) {})
		synctest.Wait()
		ev := same.events()
		require.Len(t, ev, 2)
		assert.Equal(t, "2", ev[1].id)
		for _, l := range []*listener{same, old, odd} {
			l.stop()
			<-l.done
		}
	})
}

func TestFiftyReadersCostOneRendering(t *testing.T) {
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen.Kitchen) {
		var ls []*listener
		for range 50 {
			ls = append(ls, hear(s, "/events", ""))
		}
		synctest.Wait()
		before := k.Curves()
		k.Change(func(now *time.Time, v []web.Vessel, _ *web.System) {
			*now = now.Add(time.Minute)
			v[0].Estimate.RisePercent = 90
		})
		synctest.Wait()
		assert.Equal(t, 2, k.Curves()-before, "one curve for each rise under way")
		for _, l := range ls {
			require.Len(t, l.events(), 2)
			l.stop()
			<-l.done
		}
	})
}
