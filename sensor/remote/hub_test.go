package remote_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/paho"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/remote"
)

// reads lets the station send a value to a source until it is read.
func reads(ctx context.Context, t *testing.T, s *station, m *remote.MQTT, topic, payload string, value float64) {
	t.Helper()
	r := until(ctx, t, m, func() { s.send(topic, payload) }, isOK)
	assert.Equal(t, value, r.Value, topic)
}

// soon limits a test.
func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func TestSourcesOfOneBrokerShareAConnection(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	mm, c := s.options("tub"), s.options("tub")
	mm.Field, c.Field = "mm", "c"
	height := remote.New(hub, sensor.Distance, mm)
	dough := remote.New(hub, sensor.Temperature, c)
	other := s.open(hub, "bowl")[0]
	begin(t, height)
	begin(t, dough)
	s.waitFor(1, 2)
	reads(ctx, t, s, height, "tub", `{"mm":182,"c":24}`, 182)
	assert.Equal(t, 24.0, dough.Read(ctx).Value, "the other field of the same message")
	reads(ctx, t, s, other, "bowl", "90", 90)

	require.NoError(t, height.Close())
	require.NoError(t, height.Close(), "once more does nothing")
	reads(ctx, t, s, dough, "tub", `{"mm":182,"c":25}`, 25)
	s.waitFor(1, 2)
	require.NoError(t, dough.Close())
	s.waitFor(1, 1)
	reads(ctx, t, s, other, "bowl", "91", 91)
	_, ever, _ := s.counts()
	assert.Equal(t, 1, ever)
	require.NoError(t, other.Close())
	s.waitFor(0, 0)

	again := s.open(hub, "bowl")[0]
	reads(ctx, t, s, again, "bowl", "92", 92)
	require.NoError(t, hub.Close(), "the hub ends what is still open")
	s.waitFor(0, 0)
	require.NoError(t, again.Close())
}

func TestATopicIsGivenUpAndTakenAgain(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	s.open(hub, "bowl")
	for i := range 20 {
		m := s.open(hub, "tub")[0]
		if i%2 == 0 {
			reads(ctx, t, s, m, "tub", "120", 120)
		}
		require.NoError(t, m.Close())
	}
	s.waitFor(1, 1)
	require.NoError(t, hub.Close())
}

func TestAnotherLoginIsAnotherConnection(t *testing.T) {
	t.Parallel()
	s, hub := newStation(t), remote.NewHub()
	opt := s.options("tub")
	var open []*remote.MQTT
	for _, user := range []string{"baker", "miller", "baker"} {
		opt.User = user
		m := remote.New(hub, sensor.Distance, opt)
		begin(t, m)
		open = append(open, m)
	}
	s.waitFor(2, 2)
	s.mu.Lock()
	assert.ElementsMatch(t, []string{"baker", "miller"}, s.came)
	s.mu.Unlock()
	require.NoError(t, open[1].Close())
	s.waitFor(1, 1)
	require.NoError(t, hub.Close())
}

func TestAllTopicsComeBackWithTheConnection(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	const n = 450
	topics := many(n)
	open := s.open(hub, topics...)
	s.waitFor(1, n)
	require.NoError(t, open[n-1].Close())
	s.waitFor(1, n-1)
	s.drop()
	for _, m := range open[:n-1] {
		r := until(ctx, t, m, func() {}, func(r sensor.Reading) bool { return r.Status == sensor.Missing })
		assert.Contains(t, r.Reason, "the connection was lost and is being made anew", "each is told")
	}
	s.waitFor(1, n-1)
	for i, m := range open[:n-1] {
		reads(ctx, t, s, m, topics[i], fmt.Sprint(100+i), float64(100+i))
	}
	_, ever, _ := s.counts()
	assert.Equal(t, 2, ever)
	assert.LessOrEqual(t, s.largest, 100, "topics in one packet")
	require.NoError(t, hub.Close())
}

func TestARefusedTopicTroublesNoOther(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	s.set(func(s *station) { s.refuse["secret"] = true })
	open := s.open(hub, "tub", "secret")
	r := until(ctx, t, open[1], func() {}, func(r sensor.Reading) bool {
		return r.Status == sensor.Missing && r.Reason != "broker "+s.options("").Broker+": not connected yet"
	})
	assert.Contains(t, r.Reason, "it refuses the topic secret (reason 0x87)")
	reads(ctx, t, s, open[0], "tub", "120", 120)
	late := remote.New(hub, sensor.Distance, s.options("secret"))
	assert.Contains(t, begin(t, late).Reason, "it refuses the topic secret", "a later one is told at once")

	s.set(func(s *station) { delete(s.refuse, "secret") })
	s.drop()
	reads(ctx, t, s, late, "secret", "95", 95)
	require.NoError(t, hub.Close())
}

// A broker that answers no subscription is asked again.
func TestASilentBrokerIsAskedAgain(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	s.set(func(s *station) { s.silent = true })
	m := s.open(hub, "tub")[0]
	r := until(ctx, t, m, func() {}, func(r sensor.Reading) bool {
		return r.Status == sensor.Missing && r.Reason != "broker "+s.options("").Broker+": not connected yet"
	})
	assert.Contains(t, r.Reason, "the topic tub cannot be subscribed to")
	s.set(func(s *station) { s.silent = false })
	reads(ctx, t, s, m, "tub", "120", 120)
	_, ever, _ := s.counts()
	assert.Equal(t, 1, ever)
	require.NoError(t, hub.Close())
}

// A packet may not be larger than the broker accepts.
func TestSmallPackets(t *testing.T) {
	t.Parallel()
	s, hub := newStation(t), remote.NewHub()
	s.accept = 200
	s.open(hub, many(40)...)
	s.waitFor(1, 40)
	assert.LessOrEqual(t, s.largest, 4, "200 bytes hold no more topics of 22 with what stands around them")
	require.NoError(t, hub.Close())
}

// A source that nobody reads keeps the newest message and holds up none.
func TestAnUnreadSourceHoldsUpNobody(t *testing.T) {
	t.Parallel()
	s, hub, ctx := newStation(t), remote.NewHub(), soon(t)
	open := s.open(hub, "unread", "tub")
	s.waitFor(1, 2)
	for i := range 1000 {
		s.send("unread", fmt.Sprint(100+i))
	}
	reads(ctx, t, s, open[1], "tub", "120", 120)
	assert.Equal(t, 1099.0, open[0].Read(ctx).Value, "the newest")
	require.NoError(t, hub.Close())
}

// A wrong address is told to every source, and none waits for it.
func TestNoConnectionCanBeMade(t *testing.T) {
	t.Parallel()
	hub := remote.NewHub()
	opt := remote.Options{Broker: "mqtts://127.0.0.1:1", Topic: "tub", CAFile: "/nonexistent", Clock: sensor.SystemClock()}
	for range 2 {
		m := remote.New(hub, sensor.Distance, opt)
		assert.Contains(t, begin(t, m).Reason, "ca_file cannot be read")
		defer func() { require.NoError(t, m.Close()) }()
	}
	require.NoError(t, hub.Close())
}

// TestManyTopicsOfARealBroker reads a thousand topics over one connection.
func TestManyTopicsOfARealBroker(t *testing.T) {
	t.Parallel()
	b, hub, ctx := newBroker(t), remote.NewHub(), soon(t)
	const n = 1000
	var open []*remote.MQTT
	for _, topic := range many(n) {
		opt := b.options()
		opt.Topic = topic
		m := remote.New(hub, sensor.Distance, opt)
		begin(t, m)
		open = append(open, m)
	}
	require.Eventually(t, func() bool {
		return !slices.ContainsFunc(open, func(m *remote.MQTT) bool { return begin(t, m).Status != sensor.Stale })
	}, 20*time.Second, 10*time.Millisecond, "every topic is subscribed to")
	node := b.node(ctx)
	for i, topic := range many(n) {
		_, err := node.Publish(ctx, &paho.Publish{Topic: topic, QoS: 1, Payload: fmt.Append(nil, 100+i)})
		require.NoError(t, err)
	}
	for i, m := range open {
		assert.Equal(t, float64(100+i), m.Read(ctx).Value)
		require.NoError(t, m.Close())
	}
}
