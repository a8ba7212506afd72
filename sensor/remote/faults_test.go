package remote_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/paho"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/poll"
	"tidemark/sensor/remote"
)

var update = flag.Bool("update", false, "rewrite the fault table in testdata")

// spell is how long a topic may be silent in the fault table; two minutes where
// nobody sets it.
const spell = 2 * time.Second

// plot is one fault of a topic: what is done at the start, to break it once it
// was read, and to heal it.
type plot struct {
	fault        string
	promise      time.Duration // until good again
	begin        func(s *set)  // nil begins well
	hurt, heal   func(s *set)
	until        string // part of what is seen in the end
	own          bool   // needs a broker of its own, which it stops
	afterSilence bool   // is noticed only when nothing came for a spell
}

// set is what one plot is played on.
type set struct {
	*broker
	mu  sync.Mutex
	opt remote.Options
	say string // what the node sends; empty = nothing
}

func (s *set) says(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.say = text
}

// plots lists the faults.
func plots() []plot {
	say := func(text string) func(*set) { return func(s *set) { s.says(text) } }
	good := say("182.5")
	return []plot{
		{fault: "broker away for a few seconds", promise: 15 * time.Second, own: true, hurt: func(s *set) { s.stop() }, heal: func(s *set) { s.start() }},
		{fault: "broker with a stranger's certificate", promise: 15 * time.Second, own: true, until: "certificate",
			begin: func(s *set) { s.opt.Broker, s.opt.CAFile = fmt.Sprintf("mqtts://localhost:%d", s.tls), s.ca },
			hurt:  func(s *set) { s.stop(); s.otherCertificate(); s.start() },
			heal:  func(s *set) { s.stop(); s.ownCertificate(); s.start() }},
		{fault: "wrong password, put right in its file", promise: 15 * time.Second,
			begin: func(s *set) { s.opt.PasswordFile = s.write("secret-"+s.name(), "salt") },
			heal:  func(s *set) { s.write("secret-"+s.name(), "flour and water\n") }},
		{fault: "kept message of 99 from before the node died", promise: 5 * time.Second, afterSilence: true,
			begin: func(s *set) { s.keep("99"); s.says("") }, heal: good},
		{fault: "node silent", promise: 5 * time.Second, afterSilence: true, hurt: say(""), heal: good},
		{fault: "words for a number", promise: 5 * time.Second, hurt: say("warm"), heal: good},
		{fault: "JSON without the field", promise: 5 * time.Second,
			begin: func(s *set) { s.opt.Field = "tub.mm"; s.says(`{"tub":{"mm":182.5}}`) },
			hurt:  say(`{"tub":{"cm":18}}`), heal: say(`{"tub":{"mm":182.5}}`)},
		{fault: "a number no sensor gives", promise: 5 * time.Second, hurt: say("65535"), heal: good},
	}
}

// name is the topic without slashes.
func (s *set) name() string { return strings.ReplaceAll(s.opt.Topic, "/", "-") }

// keep leaves a message with the broker, as a node that died long ago did.
func (s *set) keep(text string) {
	ctx, cancel := context.WithTimeout(s.t.Context(), 10*time.Second)
	defer cancel()
	_, err := s.node(ctx).Publish(ctx, &paho.Publish{Topic: s.opt.Topic, QoS: 1, Retain: true, Payload: []byte(text)})
	require.NoError(s.t, err)
}

// act lets the node send, until ctx ends.
func (s *set) act(ctx context.Context) {
	node := s.node(ctx)
	for ctx.Err() == nil {
		s.mu.Lock()
		text := s.say
		s.mu.Unlock()
		if text != "" {
			short, cancel := context.WithTimeout(ctx, time.Second)
			_, _ = node.Publish(short, &paho.Publish{Topic: s.opt.Topic, Payload: []byte(text)}) // fails while the broker is away
			cancel()
		}
		select {
		case <-ctx.Done():
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// seen is what a reader saw of a plot.
type seen struct {
	what        string
	after, back time.Duration
}

// watch reads as the service does and plays the plot as readings come.
func watch(t *testing.T, p plot, s *set) seen {
	if p.begin != nil {
		p.begin(s)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var node sync.WaitGroup
	node.Go(func() { s.act(ctx) })
	m := remote.New(remote.NewHub(), sensor.Distance, s.opt)
	var out seen
	since := time.Now()
	hurt := p.hurt == nil // it begins hurt
	poll.Run(ctx, s.opt.Clock, []poll.Job{{Bus: "b", Source: m, Quantity: sensor.Distance, Every: 200 * time.Millisecond, Deliver: func(r sensor.Reading) {
		if r.Status == sensor.OK {
			assert.Equal(t, 182.5, r.Value, "%s: a wrong value was served as good", p.fault)
		}
		switch {
		case r.Status == sensor.OK && !hurt:
			hurt, since = true, time.Now()
			p.hurt(s)
		case r.Status != sensor.OK && hurt && out.what == "" && strings.Contains(r.Reason, p.until):
			out.what, out.after = fmt.Sprintf("%s: %s", r.Status, r.Reason), time.Since(since)
			since = time.Now()
			p.heal(s)
		case r.Status == sensor.OK && out.what != "":
			out.back = time.Since(since)
			cancel()
		}
	}}})
	node.Wait()
	assert.NoError(t, m.Close())
	assert.NotZero(t, out.back, "%s: it does not come back", p.fault)
	return out
}

// TestBrokerFaultTable plays every fault of a topic against a real broker: none
// may yield a wrong value, each must be told with a reason and without a secret,
// and after each the readings must come back by themselves. The times are
// promises, checked; what was measured is logged.
func TestBrokerFaultTable(t *testing.T) {
	shared := newBroker(t)
	rows := make([]string, len(plots()))
	t.Run("faults", func(t *testing.T) {
		for i, p := range plots() {
			t.Run(p.fault, func(t *testing.T) {
				t.Parallel()
				b := shared
				if p.own {
					b = newBroker(t)
				}
				s := &set{broker: b, say: "182.5", opt: b.options()}
				s.opt.Topic, s.opt.StaleAfter = fmt.Sprintf("kitchen/%d/mm", i), spell
				got := watch(t, p, s)
				t.Logf("seen after %s, good again after %s", got.after.Round(time.Millisecond), got.back.Round(time.Millisecond))
				after := "at most 5s"
				limit := 5 * time.Second
				if p.afterSilence {
					after, limit = "stale_after and at most 5s", spell+5*time.Second
				}
				assert.LessOrEqual(t, got.after, limit)
				assert.LessOrEqual(t, got.back, p.promise)
				assert.NotContains(t, got.what, "flour")
				assert.NotContains(t, got.what, "salt")
				rows[i] = fmt.Sprintf("| number over MQTT | %s | %s | %s | at most %s |\n", p.fault, s.plain(got.what), after, p.promise)
			})
		}
	})
	got := "| Sensor | Injected | What the user sees | Seen after | Good again after |\n|---|---|---|---|---|\n" + strings.Join(rows, "")
	t.Log("\n" + got)
	const file = "testdata/faults.md"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// plain takes out what differs from run to run.
func (s *set) plain(text string) string {
	text = regexp.MustCompile(` for [0-9.]+s;`).ReplaceAllString(text, " for 2m0s;")
	text = strings.NewReplacer(fmt.Sprint(s.port), "1883", fmt.Sprint(s.tls), "8883", s.opt.Topic, "fridge/tub/mm").Replace(text)
	if i := strings.Index(text, " ("); i > 0 && strings.Contains(text, "cannot connect") {
		text = text[:i]
	}
	return text
}
