package app

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

// jarConfig is a jar of starter, fed 1 : 2 : 2.
const jarConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: starter
    feed: {starter_g: 20, flour_g: 40, water_g: 40}
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`

// newJar is a bench whose vessel holds starter.
func newJar(t *testing.T) *bench {
	t.Helper()
	b := newBenchOf(t, jarConfig)
	b.every = 30 * time.Second
	return b
}

// runJar feeds an invented starter that peaks after four hours and falls.
func (b *bench) runJar(until time.Duration) {
	for now := b.clock.Now().Add(b.every); !now.After(b.start.Add(until)); now = now.Add(b.every) {
		b.clock.Set(now)
		h := now.Sub(b.start).Hours()
		rise := 120 / (1 + math.Exp((2.4-h)*2.2))
		if h > 4 {
			rise -= 25 * (h - 4)
		}
		noise := 0.4 * math.Sin(float64(now.Unix()))
		b.app.Observe("tub", estimator.Sample{Time: now, DistanceMM: 240 - 60*(1+rise/100) + noise, DoughC: 24.5, AirC: 23.5})
		b.app.Advance(now)
	}
}

// TestAFeedTaughtAtOnce ends a feed: the next is foretold with it.
func TestAFeedTaughtAtOnce(t *testing.T) {
	t.Parallel()
	b := newJar(t)
	b.runJar(6 * time.Hour)
	e := b.vessel().Estimate
	require.Contains(t, []estimator.Phase{estimator.Peak, estimator.Falling, estimator.Hungry}, e.Phase)
	assert.Equal(t, "By the peak that the sensor saw.", b.app.words.Tell(b.vessel().Care.Basis...))
	b.do(bake.Event{Kind: bake.EventFed, Detail: bake.Detail{Feed: &bake.Feed{StarterG: 10, FlourG: 50, WaterG: 50}}})
	b.runJar(6*time.Hour + time.Minute)
	b.app.work.Wait()
	b.runJar(6*time.Hour + 2*time.Minute)
	v := b.vessel()
	assert.Equal(t, "1 : 5 : 5", v.Feed)
	assert.Contains(t, b.app.words.Tell(v.Care.Basis...), "By one past feeding")
	assert.Contains(t, b.refused(bake.Event{Kind: bake.EventFed, Detail: bake.Detail{Feed: &bake.Feed{StarterG: -1, FlourG: 50, WaterG: 50}}}), "The feeding makes no sense")
}

func TestColdStoredStarterIsDueWeekly(t *testing.T) {
	t.Parallel()
	b := newJar(t)
	b.run(2 * time.Hour)
	b.do(bake.Event{Kind: bake.EventFridge})
	b.run(130 * time.Minute)
	c := b.vessel().Care
	require.NotNil(t, c)
	put := b.start.Add(2 * time.Hour)
	assert.True(t, c.NextFeed.After(put.Add(24*time.Hour)), "got %s", c.NextFeed)
	assert.False(t, c.NextFeed.After(put.AddDate(0, 0, 7).Add(time.Minute)))
	again := b.again()
	again.app.Advance(again.clock.Now())
	assert.WithinDuration(t, c.NextFeed, again.vessel().Care.NextFeed, 10*time.Minute, "the place is remembered over a restart")
	b.clock.Set(c.NextFeed.Add(time.Minute))
	again.app.Advance(b.clock.Now())
	b.clock.Set(c.NextFeed.Add(8 * time.Minute))
	told := again.app.Advance(b.clock.Now())
	kinds := map[alert.Kind]string{}
	for _, a := range told {
		kinds[a.Kind] = a.Reason
	}
	assert.Equal(t, alert.InCold, kinds[alert.StarterHungry])
}
