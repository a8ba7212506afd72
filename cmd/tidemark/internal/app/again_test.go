package app

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// ballBench is a bench whose dough is filled in as a ball that spreads, seen by a
// sensor in steps of a millimetre; all invented. Before the start it sees the
// empty floor.
type ballBench struct {
	*bench
	fed time.Duration // when the dough went in
}

// see feeds the bench up to a time after the start.
func (b *ballBench) see(until time.Duration) {
	for now := b.clock.Now().Add(10 * time.Second); !now.After(b.start.Add(until)); now = now.Add(10 * time.Second) {
		b.clock.Set(now)
		level := 0.0
		if since := now.Sub(b.start) - b.fed; b.fed > 0 && since >= 0 {
			level = 60*(1+invented(since)/100) + 9*math.Exp(-since.Minutes()/7)
		}
		dice := rand.New(rand.NewPCG(7, uint64(now.Unix())))
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: math.Round(240 - level + 1.2*dice.NormFloat64()), DoughC: 24.5, AirC: 23.5})
		b.app.Advance(now)
	}
}

// TestARestartKeepsTheStartVolume restarts at several moments: what the estimate
// rests on comes out the same, though little is known again of the first minutes.
func TestARestartKeepsTheStartVolume(t *testing.T) {
	t.Parallel()
	b := &ballBench{bench: newBench(t)}
	require.NoError(t, b.app.vessels["tub"].session.Wait())
	const odd = 47*time.Minute + 10*time.Second // not at a full minute
	b.see(odd)
	b.do(bake.Event{Kind: bake.EventStart})
	b.fed = odd
	for _, at := range []time.Duration{12 * time.Minute, 35 * time.Minute, time.Hour, 2 * time.Hour} {
		b.see(odd + at)
		before := b.app.State("tub").Estimate
		require.NotZero(t, before.BaselineL)
		after := b.again().app.State("tub").Estimate
		within := max(0.008, 0.4*before.BaselineSDL/before.BaselineL) // while it spreads, little is known
		assert.InDelta(t, 1, after.BaselineL/before.BaselineL, within, "after %s", at)
		assert.InDelta(t, before.RisePercent, after.RisePercent, max(0.6, 0.4*before.RiseSD), "after %s", at)
	}
}
