package app

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/text"
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

// newJar is a bench whose vessel holds starter; past feeds are there from the
// start.
func newJar(t *testing.T, past ...bake.Rise) *bench {
	t.Helper()
	b := newBenchOf(t, jarConfig)
	b.every = 30 * time.Second
	for _, r := range past {
		id, err := b.store.BeginRise(t.Context(), r, nil)
		require.NoError(t, err)
		r.ID = id
		require.NoError(t, b.store.UpdateRise(t.Context(), r))
	}
	if len(past) == 0 {
		return b
	}
	again := b.again()
	again.every = b.every
	return again
}

// pastFeed is an invented feed days ago that peaked after so many hours at c.
func pastFeed(b time.Time, daysAgo int, hours, peakPercent, c float64) bake.Rise {
	start := b.AddDate(0, 0, -daysAgo)
	body, _ := json.Marshal(bake.Feed{StarterG: 20, FlourG: 40, WaterG: 40})
	peak := start.Add(time.Duration(hours * float64(time.Hour)))
	return bake.Rise{Vessel: "tub", Holds: estimator.Starter, StartedAt: start, EndedAt: peak.Add(3 * time.Hour), TargetPercent: 100,
		PeakPercent: peakPercent, PeakAt: peak, PeakEquivHours: hours, MeanDoughC: c, Phase: estimator.Ended, Batch: body,
		ReachedEquivHours: math.NaN()}
}

// began is when the benches start.
func began() time.Time { return time.Date(2026, 4, 4, 9, 0, 0, 0, time.UTC) }

// feedAndRun feeds at the start and lets time pass.
func (b *bench) feedAndRun(until time.Duration) {
	b.run(30 * time.Second)
	b.do(bake.Event{Kind: bake.EventFed})
	b.run(until)
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

func TestCareByPastFeedsOfTheHouse(t *testing.T) {
	t.Parallel()
	quick := newJar(t, pastFeed(began(), 4, 4, 140, 24), pastFeed(began(), 3, 4.1, 150, 24), pastFeed(began(), 2, 3.9, 145, 24))
	quick.feedAndRun(30 * time.Minute)
	slow := newJar(t, pastFeed(began(), 4, 8, 140, 24), pastFeed(began(), 3, 8.2, 150, 24), pastFeed(began(), 2, 7.9, 145, 24))
	slow.feedAndRun(30 * time.Minute)
	q, s := quick.vessel().Care, slow.vessel().Care
	require.NotNil(t, q)
	require.NotNil(t, s)
	assert.Contains(t, text.New(text.Locale{}).Tell(q.Basis...), "By 3 past feedings of this starter")
	assert.InDelta(t, 4, q.Peak.Median.Sub(quick.start).Hours(), 0.5)
	assert.InDelta(t, 8, s.Peak.Median.Sub(slow.start).Hours(), 1)
	assert.Empty(t, quick.vessel().Findings, "a starter that doubles is not weak")
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

// TestATypedFeedingCounts types a ratio where the feeding may be named.
func TestATypedFeedingCounts(t *testing.T) {
	t.Parallel()
	b := newJar(t)
	b.run(2 * time.Minute)
	b.do(bake.Event{Kind: bake.EventFed, Detail: bake.Detail{Batch: "1:5:5"}})
	b.run(5 * time.Minute)
	v := b.vessel()
	assert.Equal(t, "1 : 5 : 5", v.Feed)
	require.NotNil(t, v.Care)
	assert.InDelta(t, 2.15*math.Log2(11)/bake.Speed(24.5), v.Care.Peak.Median.Sub(v.Care.Feed.At).Hours(), 0.1)
}
