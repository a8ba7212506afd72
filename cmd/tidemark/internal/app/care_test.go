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

// newJar is a bench whose vessel holds starter, fed 1 : 2 : 2.
func newJar(t *testing.T) *bench {
	t.Helper()
	b := newBenchOf(t, `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: starter
    feed: {starter_g: 20, flour_g: 40, water_g: 40}
    floor_mm: 240
    profile: {shape: straight, diameter_mm: 180, height_mm: 200}
`, Options{})
	b.every = 30 * time.Second
	return b
}

// runJar feeds an invented starter that peaks after four hours and falls.
func (b *bench) runJar(until time.Duration) {
	b.pass(b.start.Add(until), func(at time.Time) estimator.Sample {
		h := at.Sub(b.start).Hours()
		return seen(120/(1+math.Exp((2.4-h)*2.2))-25*max(0, h-4), at)
	})
}

// TestAFeedTaughtAtOnce ends a feed: the next is foretold with it.
func TestAFeedTaughtAtOnce(t *testing.T) {
	t.Parallel()
	b := newJar(t)
	b.runJar(6 * time.Hour)
	require.Contains(t, []estimator.Phase{estimator.Peak, estimator.Falling, estimator.Hungry}, b.vessel().Estimate.Phase)
	assert.Equal(t, "By the peak that the sensor saw.", b.app.words.Tell(b.vessel().Care.Basis...))
	b.do(bake.EventFed, bake.Detail{Feed: &bake.Feed{StarterG: 10, FlourG: 50, WaterG: 50}})
	b.runJar(6*time.Hour + time.Minute)
	b.app.work.Wait()
	b.runJar(6*time.Hour + 2*time.Minute)
	v := b.vessel()
	assert.Equal(t, "1 : 5 : 5", v.Feed)
	assert.Contains(t, b.app.words.Tell(v.Care.Basis...), "By one past feeding")
	refusedWith(t, b.tell(bake.EventFed, bake.Detail{Feed: &bake.Feed{StarterG: -1, FlourG: 50, WaterG: 50}}), "The feeding makes no sense")
}

// TestColdStoredStarterIsDueWeekly, over a restart too, and is told.
func TestColdStoredStarterIsDueWeekly(t *testing.T) {
	t.Parallel()
	b := newJar(t)
	b.run(2 * time.Hour)
	b.do(bake.EventFridge)
	b.run(130 * time.Minute)
	due, put := b.vessel().Care.NextFeed, b.start.Add(2*time.Hour)
	assert.WithinRange(t, due, put.Add(24*time.Hour), put.AddDate(0, 0, 7).Add(time.Minute))
	b = b.again()
	b.app.Advance(b.clock.Now())
	assert.WithinDuration(t, due, b.vessel().Care.NextFeed, 10*time.Minute)
	var told []alert.Alarm
	for _, late := range []time.Duration{time.Minute, 8 * time.Minute} {
		b.clock.Set(due.Add(late))
		told = append(told, b.app.Advance(b.clock.Now())...)
	}
	require.Contains(t, kindsOf(told), alert.StarterHungry)
	for _, a := range told {
		assert.True(t, a.Kind != alert.StarterHungry || a.Reason == alert.InCold, a.Reason)
	}
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
	b := newBenchOf(t, handConfig, Options{})
	b.do(bake.EventStart)
	rise := func(at time.Time) float64 { return invented(time.Duration(float64(at.Sub(b.start)) / 1.6)) }
	doubled := b.start.Add(time.Duration(1.6 * float64(crossing())))
	looks, near := 0, time.Time{}
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
			b.do(bake.EventFold)
		} else if s.Now.Key == bake.TodoSee && now.Sub(s.LookAt) >= 5*time.Minute {
			looks++
			b.do(bake.EventLook, bake.Detail{SeenPercent: 5 * math.Round(rise(now)/5)}) // to the next twentieth, as an eye sees
		}
	}
	assert.True(t, looks >= 2 && looks <= 5, "%d looks", looks)
	require.False(t, near.IsZero(), "no near warning")
	assert.InDelta(t, 30, doubled.Sub(near).Minutes(), 25)
}

// lessons counts what past rises of the tub have taught, and prior is what it believes of
// its next rise.
func (b *bench) lessons() (n int, prior forecast.Prior) {
	b.app.work.Wait() // a finished rise teaches beside the watch
	taught, err := b.app.Taught(b.t.Context())
	require.NoError(b.t, err)
	return taught["tub"], *b.app.learned(b.t.Context(), b.app.vessels["tub"]).Prior
}

// TestWhatARiseTaught: a rise teaches when it has ended, once, over restarts; when its end
// is taken back, or the household wishes it forgotten, it taught nothing.
func TestWhatARiseTaught(t *testing.T) {
	t.Parallel()
	short := newBench(t)
	short.run(10 * time.Minute)
	short.do(bake.EventEnd)
	n, published := short.lessons()
	assert.Zero(t, n, "there is nothing to fit")
	undo := func(b *bench) *bench { b.undo(0, 0); return b }
	for _, row := range []struct {
		ended bake.EventKind
		then  []func(*bench) *bench
		want  []int
	}{
		{bake.EventStart, []func(*bench) *bench{undo}, []int{0}}, // begun anew by mistake
		{bake.EventEnd, []func(*bench) *bench{(*bench).again, func(b *bench) *bench { // as an import leaves it
			page, err := b.store.Rises(t.Context(), history.Filter{Vessel: "tub", Limit: 1})
			require.NoError(t, err)
			require.NoError(t, b.store.Settings().Delete(t.Context(), learnKey("tub", page.Rises[0].ID)))
			return b.again()
		}, undo, func(b *bench) *bench { b.do(bake.EventEnd); return b }, func(b *bench) *bench {
			require.NoError(t, b.app.Unlearn(t.Context(), "tub"))
			refusedWith(t, b.app.Unlearn(t.Context(), "bath"), "No vessel")
			return b
		}, (*bench).again}, []int{1, 1, 0, 1, 0, 0}},
	} {
		t.Run(string(row.ended), func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.every = 30 * time.Second
			holds := func(want int) {
				t.Helper()
				n, prior := b.lessons()
				assert.Equal(t, want, n)
				assert.Equal(t, want == 0, assert.ObjectsAreEqual(published, prior), "what is believed is what is published")
			}
			b.run(6 * time.Hour)
			holds(0)
			b.do(row.ended)
			b.run(6*time.Hour + time.Minute)
			holds(1)
			for i, then := range row.then {
				b = then(b)
				holds(row.want[i])
			}
		})
	}
}
