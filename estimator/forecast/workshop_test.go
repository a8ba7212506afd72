package forecast

import (
	"fmt"
	"math"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// What a fit still answers at rest is what it answered before, to the last digit:
// also when another fit has used the bench since, and readings came in.
func TestRestKeepsItsAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shop := NewWorkshop()
		ceiling := rapid.Float64Range(60, 220).Draw(t, "ceiling")
		until := rapid.Float64Range(0.3, 7).Draw(t, "hours")
		f := shop.New(DefaultPrior("dough"))
		play(f, 0, until, constant(rapid.Float64Range(5, 30).Draw(t, "C")), gompertzRise(ceiling, 35, 1))
		ahead := duration(until + rapid.Float64Range(0, 30).Draw(t, "ahead"))
		volumeL, volumeSD := f.Baseline()
		percent, sd := f.Rise(ahead)
		f.Rest()
		other := shop.New(DefaultPrior("starter"))
		play(other, 0, 2, constant(27), gompertzRise(90, 20, 1))
		other.Rest()
		for m := range 30 {
			at := duration(until + float64(m)/60)
			f.Temper(at, 30, 31)
			f.Add(Point{At: at, VolumeL: 2.5, SDL: 0.01, DoughC: 30})
		}
		for range 2 {
			l, s := f.Baseline()
			assert.Equal(t, fmt.Sprint(volumeL, volumeSD), fmt.Sprint(l, s)) // alike when not a number, too
			p, s := f.Rise(ahead)
			if percent == percent || p == p { // one of them a number: then both are, and alike
				assert.InDelta(t, percent, p, 1e-5*max(100, math.Abs(percent)))
				assert.InDelta(t, sd, s, 1e-4*max(1, sd))
			}
			f.Rest()
		}
	})
}

// All else waits for the next Refit, and says so.
func TestRestSaysThatItRests(t *testing.T) {
	f := New(DefaultPrior("dough"))
	f.Rest() // nothing to put away
	assert.Contains(t, f.Crossing(100).Why, "No reading")
	play(f, 0, 3, constant(24), gompertzRise(150, 35, 1))
	c := f.Crossing(100)
	require.True(t, c.Known)
	params, ok := f.Params()
	require.True(t, ok)
	f.Rest()
	assert.Contains(t, f.Crossing(100).Why, "rests")
	assert.False(t, f.Crossing(100).Known)
	assert.Empty(t, f.Fan(nil, time.Minute, 5))
	_, mid, _ := f.Ceiling()
	assert.NotEqual(t, mid, mid, "not a number")
	_, ok = f.Params()
	assert.False(t, ok)
	f.Refit(3 * time.Hour)
	assert.InDelta(t, c.Median.Hours(), f.Crossing(100).Median.Hours(), 0.01)
	again, ok := f.Params()
	require.True(t, ok)
	assert.InDelta(t, params.LogCeiling, again.LogCeiling, 0.01)
}

// Fits that take turns at one bench, in any order and at the same time, come to
// what each comes to alone.
func TestOneWorkshopForMany(t *testing.T) {
	course := func(f *Fit, k int) (out []float64) {
		for part := range 4 {
			from := float64(part)
			play(f, from, from+1, constant(22+float64(k)), gompertzRise(100+20*float64(k), 30, 1))
			c := f.Crossing(80)
			low, mid, high := f.CarryOver()
			f.Rest()
			percent, sd := f.Rise(duration(from + 1.5))
			out = append(out, c.From.Hours(), c.Median.Hours(), c.Until.Hours(), c.Chance, low, mid, high, percent, sd)
		}
		return out
	}
	shop := NewWorkshop()
	got := make([][]float64, 6)
	var all sync.WaitGroup
	for k := range got {
		all.Go(func() { got[k] = course(shop.New(DefaultPrior("dough")), k) })
	}
	all.Wait()
	for k := range got {
		assert.Equal(t, course(New(DefaultPrior("dough")), k), got[k])
	}
}

func BenchmarkRiseAtRest(b *testing.B) {
	f := New(DefaultPrior("dough"))
	play(f, 0, 3, constant(24), gompertzRise(150, 35, 1))
	f.Rest()
	b.ReportAllocs()
	for b.Loop() {
		f.Rise(3*time.Hour + 10*time.Minute)
	}
}
