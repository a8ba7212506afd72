package bake

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
)

// Published times to peak (common practice). Sources: Summit Sourdough, May
// 2025 (20 C); Loaf and Levain (22 C). Doublings log2(1 + 2n): 1.58, 2.32,
// 2.81, 3.17, 3.46, 4.39 (computed).
func TestPeakHoursPublished(t *testing.T) {
	for _, c := range []struct{ parts, roomC, low, high, doublings float64 }{
		{1, 20, 4, 6, 1.58}, {2, 20, 5, 8, 2.32}, {3, 20, 6, 10, 2.81}, {4, 20, 8, 12, 3.17},
		{5, 20, 10, 14, 3.46}, {10, 20, 12, 16, 4.39}, {1, 22, 3, 4.1, 1.58},
	} {
		f := NewFeed(start(), c.parts, 100, c.roomC)
		assert.InDelta(t, c.doublings, f.Doublings(), 0.005)
		low, mid, high := LearnVigour(nil).PeakHours(f, c.roomC)
		t.Logf("%s at %g C: published %g to %g h, predicted %.1f h (8 in 10: %.1f to %.1f)", f.Ratio(), c.roomC, c.low, c.high, mid, low, high)
		assert.GreaterOrEqual(t, mid, c.low)
		assert.LessOrEqual(t, mid, c.high)
	}
}

func TestFeedNumbers(t *testing.T) {
	f := Feed{At: start(), StarterG: 20, FlourG: 50, WaterG: 40}
	assert.Equal(t, "1 : 2.5 : 2", f.Ratio())
	require.NoError(t, f.Validate())
	for _, c := range []struct {
		edit func(*Feed)
		want string
	}{
		{func(f *Feed) { f.StarterG = 0 }, "starter_g: must be above 0 g, found 0: leave the entry out instead"},
		{func(f *Feed) { f.FlourG = -1 }, "flour_g: a mass cannot be below 0 g, found -1"},
		{func(f *Feed) { f.FlourG = 9000 }, "starter_g: the starter is diluted 453-fold: below 1 part in 250 nothing can be said of it"},
		{func(f *Feed) { f.RoomC = 70 }, "room_c: must be above 0 and below 45 °C, found 70"},
	} {
		g := f
		c.edit(&g)
		assert.Equal(t, c.want, inWords(g.Validate()))
	}
}

// Ten feeds that took 40 % longer pull the forecast most of the way; one feed
// only a part.
func TestLearnVigour(t *testing.T) {
	slow := func(n int) []PastFeed {
		out := make([]PastFeed, n)
		for i := range out {
			f := NewFeed(start(), 2, 100, 24)
			_, mid, _ := LearnVigour(nil).PeakHours(f, 24)
			out[i] = PastFeed{Feed: f, MeanC: 24, PeakHours: 1.4 * mid, PeakPercent: 150, LateHours: math.NaN()}
		}
		return out
	}
	one, ten := LearnVigour(slow(1)), LearnVigour(slow(10))
	assert.Greater(t, math.Exp(ten.Log), 1.35)
	assert.Less(t, math.Exp(ten.Log), 1.4)
	assert.Less(t, one.Log, ten.Log)
	assert.Less(t, ten.SD, one.SD)
	assert.Equal(t, 10, ten.Feeds)
}

func TestTend(t *testing.T) {
	f := NewFeed(start(), 2, 100, 24)
	c, err := tend(f, nil, 24, time.Time{}, 4, unseen())
	require.NoError(t, err)
	assert.Equal(t, "13:59", c.Peak.Median.Format("15:04"), "2.15 h a doubling, 2.32 doublings")
	assert.True(t, c.UseFrom.Before(c.Peak.Median) && c.Peak.Median.Before(c.UseUntil) && c.UseUntil.Before(c.Hungry.Median))
	assert.Contains(t, words(c.Basis...), "published")

	cold, err := tend(f, nil, 24, at(10, 0), 4, unseen())
	require.NoError(t, err)
	assert.True(t, cold.Peak.Median.After(c.Peak.Median.Add(24*time.Hour)))
	assert.Equal(t, at(10, 0).AddDate(0, 0, 7), cold.NextFeed, "weekly in the cold")
	late, err := tend(f, nil, 24, at(18, 0), 4, unseen())
	require.NoError(t, err)
	assert.Equal(t, c.Peak.Median, late.Peak.Median, "what happened before the cold stays")
	_, err = tend(Feed{}, nil, 24, time.Time{}, 4, unseen())
	assert.Error(t, err)
}

func TestCareObserved(t *testing.T) {
	of := func(e estimator.Estimate) Care {
		c, err := tend(NewFeed(start(), 2, 100, 24), nil, 24, time.Time{}, 4, e)
		require.NoError(t, err)
		return c
	}
	e := unseen()
	e.Phase, e.PeakAt, e.PhaseSince = estimator.Peak, at(13, 0), at(13, 0)
	seen := of(e)
	assert.Equal(t, at(13, 0), seen.Peak.Median)
	assert.Equal(t, at(14, 0), seen.UseUntil, "a quarter of the time to peak after it")
	e.Phase, e.PhaseSince = estimator.Hungry, at(15, 30)
	assert.Equal(t, at(15, 30), of(e).Hungry.Median)
	e.PeakAt = at(8, 0)
	assert.Equal(t, of(unseen()), of(e), "the peak of an earlier feed says nothing")
}

// The feeding that peaks at seven in the morning at 20 C, fed the evening before: 1:1:1
// takes 4 to 6 h, 1:3:3 6 to 10 h, 1:5:5 10 to 14 h (Summit Sourdough, May 2025).
func TestFeedsToPeak(t *testing.T) {
	peak := start().AddDate(0, 0, 1)
	hours := map[string][2]float64{"1 : 1 : 1": {4, 6}, "1 : 3 : 3": {6, 10}, "1 : 5 : 5": {10, 14}, "1 : 10 : 10": {12, 16}}
	for _, f := range LearnVigour(nil).FeedsToPeak(peak, 210, 20, 1) {
		assert.InDelta(t, 210, f.StarterG+f.FlourG+f.WaterG, 1e-9)
		if h, published := hours[f.Ratio()]; published {
			took := peak.Sub(f.At).Hours()
			t.Logf("%s: published %g to %g h, fed %.1f h before", f.Ratio(), h[0], h[1], took)
			assert.True(t, took >= h[0] && took <= h[1], f.Ratio())
			delete(hours, f.Ratio())
		}
	}
	assert.Empty(t, hours)
}

func past(n int, meanC, peakPercent, hours float64) []PastFeed {
	out := make([]PastFeed, n)
	for i := range out {
		out[i] = PastFeed{Feed: NewFeed(start().AddDate(0, 0, i), 1, 60, meanC), MeanC: meanC, PeakHours: hours, PeakPercent: peakPercent, LateHours: 10}
	}
	return out
}

// A starter with mould, pink or orange is thrown away. Source: Bob's Red Mill
// help page; grey liquid is hunger: The Takeout, 12 March 2025.
func TestSeenInTheJar(t *testing.T) {
	bad := Seen(SawMould)
	assert.True(t, bad.Discard)
	assert.Contains(t, words(bad.Do[0]), "throw it all away")
	hungry := Seen(SawLiquid)
	assert.False(t, hungry.Discard)
	assert.Contains(t, words(hungry.Evidence), "hunger")
}

func TestDiagnoseWeak(t *testing.T) {
	got := Diagnose(past(4, 18, 60, 9))
	require.Len(t, got, 1)
	assert.Equal(t, "Best of the last 4 feeds: 60 %, at 18 °C on average.", words(got[0].Evidence))
	assert.Contains(t, words(got[0].Do[0]), "how old is it?", "it asks before it calls a starter weak")
	assert.Contains(t, words(got[0].Do[1]), "What does it stand in?")
	assert.Contains(t, words(got[0].Do[2]), "Then the temperature: it stood at 18 °C")
	assert.Contains(t, words(got[0].Do[3]), "it waited up to 10 h after the peak")
	mixed := Diagnose(append(past(2, 17, 60, 9), past(2, 19, 50, 9)...))
	assert.Contains(t, words(mixed[0].Evidence), ", at 18 °C on average.")
	warm := Diagnose(past(4, 25, 60, 4))
	assert.NotContains(t, words(warm[0].Do[2]), "temperature", "warm enough: not blamed")
	assert.Empty(t, Diagnose(past(4, 24, 160, 4)))
	assert.Empty(t, Diagnose(past(2, 18, 60, 9)), "two feeds prove nothing")
}

func TestDiagnoseSlowing(t *testing.T) {
	feeds := append(past(6, 24, 150, 3.4), past(3, 24, 120, 5.2)...)
	got := Diagnose(feeds)
	require.Len(t, got, 1)
	assert.Equal(t, "Slower than it was.", words(got[0].What))
	assert.Empty(t, Diagnose(append(past(6, 24, 150, 3.4), past(3, 20, 120, 5.0)...)), "the cold explains it")
}

func TestTendProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := NewFeed(start(), rapid.Float64Range(0.5, 12).Draw(t, "parts"), 100, 0)
		c := rapid.Float64Range(12, 30).Draw(t, "room")
		cold := time.Time{}
		if rapid.Bool().Draw(t, "cold") {
			cold = start().Add(time.Duration(rapid.IntRange(0, 600).Draw(t, "minutes")) * time.Minute)
		}
		care, err := tend(f, nil, c, cold, 4, unseen())
		if err != nil {
			t.Fatal(err)
		}
		w, h := care.Peak, care.Hungry
		if w.From.After(w.Median) || w.Median.After(w.Until) || h.Median.Before(w.Median) || care.NextFeed.Before(f.At) {
			t.Fatalf("out of order: %+v", care)
		}
	})
}

// A feeding that is typed counts, however its ratio is written.
func TestParseFeed(t *testing.T) {
	for text, want := range map[string]string{
		"1:2:2": "1 : 2 : 2", "1 : 2,5 : 2": "1 : 2.5 : 2", "20/40/40": "1 : 2 : 2", "20 g, 60 g, 50 g": "1 : 3 : 2.5", "1-5-5": "1 : 5 : 5",
	} {
		f, ok := parseFeed(text)
		require.True(t, ok, text)
		assert.Equal(t, want, f.Ratio(), text)
	}
	for _, text := range []string{"", "rye", "1:2", "1:2:2:1", "0:2:2", "1:nan:2", "1:2:x", "evening feed"} {
		_, ok := parseFeed(text)
		assert.False(t, ok, text)
	}
}

// The next feed never comes before the late end of the peak, and a starter that a
// sensor watches is fed after its fall has begun.
func TestTheNextFeedWaitsForThePeak(t *testing.T) {
	for _, parts := range []float64{1, 2, 3, 5, 10} {
		for _, c := range []float64{16, 20, 24, 28} {
			care, err := tend(NewFeed(start(), parts, 100, c), nil, c, time.Time{}, 4, unseen())
			require.NoError(t, err)
			assert.False(t, care.NextFeed.Before(care.Peak.Until), "1:%g:%g at %g C", parts, parts, c)
			e := unseen()
			e.Time, e.Phase, e.PeakAt, e.PhaseSince = at(23, 0), estimator.Falling, at(15, 0), at(16, 0)
			care, err = tend(NewFeed(start(), parts, 100, c), nil, c, time.Time{}, 4, e)
			require.NoError(t, err)
			assert.False(t, care.NextFeed.Before(e.PhaseSince))
		}
	}
}
