package remote_test

import (
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
	"tidemark/sensor/remote"
)

// closes is what the sources of a topic are told for which a connection ends.
const closes = "it closes the connection when asked for the topic %s; let our user read that topic in the broker's access rules, or correct the topic"

// others checks that every topic but those left out is read.
func others(t *testing.T, s *station, open []*remote.MQTT, topics []string, but ...string) {
	t.Helper()
	for i, topic := range topics {
		if slices.Contains(but, topic) {
			continue
		}
		begin(t, open[i]) // takes what was told before
		s.send(topic, fmt.Sprint(100+i))
		synctest.Wait()
		r := begin(t, open[i])
		require.Equal(t, sensor.OK, r.Status, "%s: %s", topic, r.Reason)
		require.Equal(t, float64(100+i), r.Value, topic)
	}
}

// ever is how many connections there were.
func (s *station) ever() int { _, n, _ := s.counts(); return n }

// A broker that closes the connection for some topics still serves all others, and
// the sources of those topics are told which they are.
func TestAForbiddenTopicSilencesNoOther(t *testing.T) {
	for name, c := range map[string]struct {
		topics int
		forbid []int
		most   int // connections until all others are read and all sources are told
	}{
		"one of 150":     {150, []int{75}, 9},
		"three of 450":   {450, []int{0, 1, 300}, 1 + 3*8},
		"the only one":   {1, []int{0}, 3},
		"both":           {2, []int{0, 1}, 5},
		"every one of 8": {8, []int{0, 1, 2, 3, 4, 5, 6, 7}, 1 + 8*4},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, hub := newPiped(t)
				topics := many(c.topics)
				var forbidden []string
				for _, i := range c.forbid {
					forbidden = append(forbidden, topics[i])
					s.forbid[topics[i]] = true
				}
				open := s.open(hub, topics...)
				time.Sleep(45 * time.Second) // before the first is tried again
				assert.LessOrEqual(t, s.ever(), c.most)
				others(t, s, open, topics, forbidden...)
				for _, i := range c.forbid {
					assert.Contains(t, begin(t, open[i]).Reason, fmt.Sprintf(closes, topics[i]))
				}
			})
		})
	}
}

// While topics are forbidden, the others rarely lose the connection; once they are
// allowed, they come back by themselves.
func TestAForbiddenTopicIsTriedRarely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		topics := many(50)
		s.forbid[topics[3]], s.forbid[topics[40]] = true, true
		open := s.open(hub, topics...)
		time.Sleep(50 * time.Second)
		found := s.ever()
		time.Sleep(10 * time.Hour)
		assert.InDelta(t, 10*4+4, s.ever()-found, 2, "four an hour in the end, for both together")
		others(t, s, open, topics, topics[3], topics[40])
		late := s.open(hub, topics[3])[0]
		assert.Contains(t, begin(t, late).Reason, fmt.Sprintf(closes, topics[3]), "a later one is told at once")
		s.drop()
		time.Sleep(2 * time.Second)
		assert.Contains(t, begin(t, late).Reason, fmt.Sprintf(closes, topics[3]), "told again on the next connection")
		require.NoError(t, late.Close())

		s.set(func(s *station) { clear(s.forbid) })
		time.Sleep(15*time.Minute + 2*time.Second)
		others(t, s, open, topics)
		before := s.ever()
		time.Sleep(time.Hour)
		assert.Equal(t, before, s.ever())

		s.set(func(s *station) { s.forbid[topics[7]] = true })
		s.drop()
		time.Sleep(50 * time.Second)
		found = s.ever()
		time.Sleep(time.Minute)
		assert.Equal(t, found+1, s.ever(), "the pauses begin anew")
	})
}

// A topic that nobody reads any more is not tried either.
func TestAForbiddenTopicIsForgottenWithItsSources(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		s.forbid["secret"] = true
		open := s.open(hub, "tub", "secret")
		time.Sleep(30 * time.Second)
		require.NoError(t, open[1].Close())
		found := s.ever()
		time.Sleep(time.Hour)
		assert.Equal(t, found, s.ever())
		others(t, s, open[:1], []string{"tub"})
	})
}

// A topic that the library does not ask for is set aside without a loss of the
// connection.
func TestATopicThatIsNotAskedForSilencesNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		s.alone = true
		const shared = "$share/bakery/tub"
		topics := append(many(99), shared)
		open := s.open(hub, topics...)
		time.Sleep(2 * time.Second)
		others(t, s, open, topics, shared)
		r := begin(t, open[99])
		assert.Contains(t, r.Reason, "the topic "+shared+" cannot be subscribed to (invalid argument")
		assert.Contains(t, r.Reason, "correct the topic")
		time.Sleep(time.Hour)
		assert.Equal(t, 1, s.ever())
	})
}

// A broker that is silent for long sets nothing aside: all comes back with it.
func TestASilentBrokerSetsNothingAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		s.silent = true
		topics := many(20)
		open := s.open(hub, topics...)
		time.Sleep(12 * time.Hour)
		s.set(func(s *station) { s.silent = false })
		time.Sleep(75 * time.Second)
		others(t, s, open, topics)
		assert.Equal(t, 1, s.ever())
	})
}

// A connection lost while topics are asked for brings all of them back with the next
// one, without waiting for an answer that cannot come any more.
func TestALossWhileTopicsAreAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		s.silent = true
		topics := many(150)
		open := s.open(hub, topics...)
		time.Sleep(2 * time.Second) // the first packet is under way
		s.set(func(s *station) { s.silent = false })
		s.drop()
		time.Sleep(2 * time.Second)
		others(t, s, open, topics)
		assert.Equal(t, 2, s.ever())
	})
}

// Few messages under way make them wait for each other over a slow network, many take
// memory on both sides.
func TestManyMessagesMayBeUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, hub := newPiped(t)
		s.open(hub, "tub")
		time.Sleep(2 * time.Second)
		s.mu.Lock()
		defer s.mu.Unlock()
		require.Len(t, s.room, 1)
		assert.GreaterOrEqual(t, s.room[0], uint16(256))
		assert.LessOrEqual(t, s.room[0], uint16(1024))
	})
}
