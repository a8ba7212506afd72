package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
	"tidemark/web/access"
	"tidemark/web/chart"
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

// inBubble runs a test with a kitchen and its page in a time of their own.
func inBubble(t *testing.T, f func(t *testing.T, s *web.Server, k *kitchen)) {
	synctest.Test(t, func(t *testing.T) {
		k := risen(t, berliners, false)
		s, err := web.New(web.Options{Live: k.app, Now: k.clock.Now})
		require.NoError(t, err)
		f(t, s, k)
		require.NoError(t, s.Close())
		synctest.Wait()
	})
}

func TestStreamSendsWhatChanged(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen) {
		l := hear(s, "/events", "")
		synctest.Wait()
		first := l.events()
		require.Len(t, first, 1)
		assert.Equal(t, "parts", first[0].name)
		assert.Regexp(t, `^[0-9a-f]{8}\.\d+$`, first[0].id)
		var all struct{ Parts map[string]string }
		require.NoError(t, json.Unmarshal([]byte(first[0].data), &all))
		if len(all.Parts) != 2+3+3*7 {
			t.Errorf("%d parts, want system, kitchen, three chips and seven parts of each vessel", len(all.Parts))
		}

		k.tell("tub", bake.EventFridge)
		synctest.Wait()
		second := l.events()
		require.Len(t, second, 2)
		var some struct{ Parts map[string]string }
		require.NoError(t, json.Unmarshal([]byte(second[1].data), &some))
		for id := range some.Parts {
			assert.False(t, strings.HasPrefix(id, "v1") || strings.HasPrefix(id, "v2"), "%s did not change", id)
		}
		assert.Contains(t, some.Parts["v0-glance"], "In the fridge.")
		l.stop()
		<-l.done
	})
}

// ring lets the kitchen tell its readers that something changed.
func (k *kitchen) ring() { k.app.Advance(k.clock.Now()) }

func TestStreamIsSlowedToTwoASecond(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen) {
		l := hear(s, "/events", "")
		synctest.Wait()
		for range 100 {
			k.ring()
			time.Sleep(50 * time.Millisecond)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		ev := l.events()
		assert.LessOrEqual(t, len(ev), 13, "5 s of changes")
		assert.GreaterOrEqual(t, len(ev), 9)
		assert.Equal(t, fmt.Sprint(k.app.Snapshot().Seq), state(ev[len(ev)-1]), "the newest state came")
		l.stop()
		<-l.done
	})
}

func TestStreamBeats(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, s *web.Server, _ *kitchen) {
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

// state is the number in the id of an event.
func state(e event) string { return e.id[strings.LastIndex(e.id, ".")+1:] }

// firstOf opens a stream and returns what comes at once.
func firstOf(t *testing.T, s http.Handler, path, lastID string) []event {
	t.Helper()
	l := hear(s, path, lastID)
	synctest.Wait()
	l.stop()
	<-l.done
	return l.events()
}

// TestStreamGoesOnWhereItBrokeOff: a state is whole, so a reader that comes back
// needs the newest and none of those it missed.
func TestStreamGoesOnWhereItBrokeOff(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen) {
		for _, path := range []string{"/events", "/api/v1/events"} {
			had := firstOf(t, s, path, "")[0].id
			for range 3 {
				k.ring()
			}
			back := firstOf(t, s, path, had)
			require.Len(t, back, 1, "one state for the three that were missed")
			assert.Equal(t, fmt.Sprint(k.app.Snapshot().Seq), state(back[0]))
			assert.JSONEq(t, firstOf(t, s, path, "")[0].data, back[0].data, "it is whole")
		}
	})
}

// TestStreamOfAnotherRun: a reader of the run before gets a whole state. A page of another
// build is told to load again.
func TestStreamOfAnotherRun(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, s *web.Server, k *kitchen) {
		again, err := web.New(web.Options{Live: k.app, Now: k.clock.Now})
		require.NoError(t, err)
		had := firstOf(t, s, "/events", "")[0].id
		back := firstOf(t, again, "/events", had)
		require.Len(t, back, 1)
		assert.Equal(t, "parts", back[0].name, "a whole state, although the number is the same")
		assert.Equal(t, state(event{id: had}), state(back[0]))
		old := "0badf00d" + had[8:]
		back = firstOf(t, again, "/events", old)
		require.Len(t, back, 2)
		assert.Equal(t, "reload", back[0].name)
		assert.Equal(t, "vessels", firstOf(t, again, "/api/v1/events", old)[0].name, "programs have nothing to load again")
		require.NoError(t, again.Close())
	})
}

// counted counts the curves that are asked for.
type counted struct {
	web.Live
	curves atomic.Int64
}

func (c *counted) Curve(ctx context.Context, vessel string) ([]chart.Sample, error) {
	c.curves.Add(1)
	return c.Live.Curve(ctx, vessel)
}

func TestFiftyReadersCostOneRendering(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, _ *web.Server, k *kitchen) {
		live := &counted{Live: k.app}
		s, err := web.New(web.Options{Live: live, Now: k.clock.Now})
		require.NoError(t, err)
		var ls []*listener
		for range 50 {
			ls = append(ls, hear(s, "/events", ""))
		}
		synctest.Wait()
		before := live.curves.Load()
		k.pass(time.Minute)
		synctest.Wait()
		assert.EqualValues(t, 2, live.curves.Load()-before, "one curve for each rise under way")
		for _, l := range ls {
			require.Len(t, l.events(), 2)
			l.stop()
			<-l.done
		}
		require.NoError(t, s.Close())
	})
}

// TestStreamEndsWithTheSession: whoever is locked out hears no more, although the
// stream was open before.
func TestStreamEndsWithTheSession(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, _ *web.Server, k *kitchen) {
		d := access.NewMemory()
		require.NoError(t, access.SetPassphrase(t.Context(), d, phrase))
		s, err := web.New(web.Options{Live: k.app, Settings: d, Now: k.clock.Now})
		require.NoError(t, err)
		b := newBrowser(t, s)
		require.Equal(t, 303, b.unlock(phrase).Code)
		r := request("GET", "/events", nil)
		for _, c := range b.cookies {
			r.AddCookie(c)
		}
		l := &listener{header: http.Header{}, done: make(chan struct{})}
		go func() { defer close(l.done); s.ServeHTTP(l, r) }()
		synctest.Wait()
		require.Len(t, l.events(), 1)
		b.get("/")
		require.Equal(t, 303, b.post("/lock", url.Values{"all": {"1"}}).Code)
		k.ring()
		<-l.done
		assert.Len(t, l.events(), 1)
		require.NoError(t, s.Close())
	})
}
