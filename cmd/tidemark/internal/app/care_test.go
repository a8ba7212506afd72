package app

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/estimator/forecast"
	"tidemark/history"
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

// handConfig is a bowl that no sensor sees, in a kitchen without a thermometer.
const handConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    height: {kind: hand}
`

// TestByHand: with no sensor at all a household is asked for a few looks at sensible
// times, and the near warning comes in time. The dough is invented.
func TestByHand(t *testing.T) {
	t.Parallel()
	_, err := config.Parse("hand.yaml", []byte(handConfig), config.Sensors)
	require.NoError(t, err, "the service takes it")
	b := newBenchOf(t, handConfig)
	b.do(bake.Event{Kind: bake.EventStart})
	rise := func(at time.Time) float64 { return invented(time.Duration(float64(at.Sub(b.start)) / 1.6)) }
	doubled := b.start
	for rise(doubled) < 100 {
		doubled = doubled.Add(time.Minute)
	}
	looks, near := 0, time.Time{}
	var asked []string
	for now := b.start; now.Before(doubled); {
		now = now.Add(time.Minute)
		b.clock.Set(now)
		for _, a := range b.app.Advance(now) {
			switch a.Kind {
			case alert.Near:
				near = now
			case alert.LookDue:
				assert.Contains(t, a.Text, "How far has tub risen?")
			case alert.SensorLost, alert.SensorSuspect:
				t.Errorf("%s of a vessel without one", a.Kind)
			}
		}
		if s := b.app.State("tub"); s.Now.Tap == bake.EventFold {
			b.do(bake.Event{Kind: bake.EventFold})
		} else if s.Now.Key == bake.TodoSee && now.Sub(s.LookAt) >= 5*time.Minute {
			looks++
			asked = append(asked, now.Format("15:04"))
			b.do(bake.Event{Kind: bake.EventLook, Detail: bake.Detail{SeenPercent: 5 * math.Round(rise(now)/5)}}) // to the next twentieth, as an eye sees
		}
	}
	t.Logf("looks at %v; near told at %s, doubled at %s, forecast %s", asked, near.Format("15:04"), doubled.Format("15:04"), b.app.State("tub").Estimate.Ready.Median.Format("15:04"))
	assert.True(t, looks >= 2 && looks <= 5, "%d looks", looks)
	require.False(t, near.IsZero(), "no near warning")
	assert.InDelta(t, 30, doubled.Sub(near).Minutes(), 25)
}

// lessons counts what past rises of the tub have taught.
func (b *bench) lessons() int {
	b.app.work.Wait() // a finished rise teaches beside the watch
	all, err := b.store.Settings().List(b.t.Context(), LearnedPrefix+"tub/")
	require.NoError(b.t, err)
	return len(all)
}

// finished is a bench on which an event has just ended a rise of six hours, and what
// was believed of a rise before.
func finished(t *testing.T, by bake.EventKind) (b *bench, published forecast.Prior) {
	b = newBench(t)
	b.every = 30 * time.Second
	b.run(6 * time.Hour)
	published = b.prior()
	require.Zero(t, b.lessons(), "a rise under way teaches nothing")
	b.do(bake.Event{Kind: by})
	b.run(6*time.Hour + time.Minute)
	require.Equal(t, 1, b.lessons())
	require.NotEqual(t, published, b.prior())
	return b, published
}

// TestTheEndTakenBackIsForgotten ends a rise by its end, and by starting anew by mistake.
func TestTheEndTakenBackIsForgotten(t *testing.T) {
	t.Parallel()
	for _, by := range []bake.EventKind{bake.EventEnd, bake.EventStart} {
		b, published := finished(t, by)
		b.undo(0, 0)
		assert.Zero(t, b.lessons(), by)
		assert.Equal(t, published, b.prior(), by)
	}
}

// TestLessonsOutliveARestart reads them at the next start. A rise that taught nothing
// yet, as an import leaves it, teaches then.
func TestLessonsOutliveARestart(t *testing.T) {
	t.Parallel()
	b, published := finished(t, bake.EventEnd)
	b = b.again()
	require.NotEqual(t, published, b.prior())
	page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
	require.NoError(t, err)
	require.NoError(t, b.store.Settings().Delete(t.Context(), learnKey("tub", page.Rises[0].ID)))
	b = b.again()
	assert.Equal(t, 1, b.lessons())
	assert.NotEqual(t, published, b.prior())
}

// TestWhatWasLearnedIsForgottenOnWish and stays forgotten at the next start.
func TestWhatWasLearnedIsForgottenOnWish(t *testing.T) {
	t.Parallel()
	b, published := finished(t, bake.EventEnd)
	taught, err := b.app.Taught(t.Context())
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"tub": 1}, taught)
	require.NoError(t, b.app.Unlearn(t.Context(), "tub"))
	refusedWith(t, b.app.Unlearn(t.Context(), "bath"), "No vessel")
	for range 2 {
		assert.Zero(t, b.lessons())
		assert.Equal(t, published, b.prior())
		b = b.again()
	}
}

// TestAShortRiseTeachesNothing ends one before there is anything to fit.
func TestAShortRiseTeachesNothing(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.run(10 * time.Minute)
	b.do(bake.Event{Kind: bake.EventEnd})
	b.run(11 * time.Minute)
	assert.Zero(t, b.lessons())
}

// prior is what the vessel believes of its next rise beforehand.
func (b *bench) prior() forecast.Prior {
	return *b.app.learned(b.t.Context(), b.app.vessels["tub"]).Prior
}
