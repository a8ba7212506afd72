package bake

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
	"tidemark/estimator/forecast"
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

// cared says when a starter peaks, between when it is best used, when it is hungry, when it
// is fed next, and what that rests on.
func cared(c Care) string {
	minute := func(t time.Time) string { return t.Round(time.Minute).Format("2 15:04") }
	return fmt.Sprintf("peak %s, use %s-%s, hungry %s, feed %s. %s", minute(c.Peak.Median), minute(c.UseFrom), minute(c.UseUntil),
		minute(c.Hungry.Median), minute(c.NextFeed), words(c.Basis...))
}

// TestTend tends a starter fed at 9:00 on the 7th at 24 C. 1:2:2 peaks at 14:00 (2.15 h a
// doubling, 2.32 doublings); in the cold it is fed weekly; what happened before the cold
// stays, and what is left goes as slowly as the cold lets it. The peak that a sensor saw
// counts for more, but not that of an earlier feed.
func TestTend(t *testing.T) {
	two, one := NewFeed(start(), 2, 100, 24), NewFeed(start(), 1, 60, 0)
	peaked := func(phase estimator.Phase, peak, since time.Time) estimator.Estimate {
		e := unseen()
		e.Phase, e.PeakAt, e.PhaseSince = phase, peak, since
		return e
	}
	once := []PastFeed{{Feed: one, MeanC: 24, PeakHours: 4, PeakPercent: 120}}
	for _, c := range []struct {
		name string
		feed Feed
		past []PastFeed
		cold time.Time
		e    estimator.Estimate
		want string
	}{
		{"by the clock", two, nil, time.Time{}, unseen(), "peak 7 14:00, use 7 13:15-7 15:14, hungry 7 17:59, feed 7 16:03. By the published times: no past feeding of this starter is known."},
		{"in the cold after an hour", two, nil, at(10, 0), unseen(), "peak 17 14:18, use 15 16:28-20 18:40, hungry 27 18:41, feed 14 10:00. By the published times: no past feeding of this starter is known. Kept cold, it is fed weekly."},
		{"in the cold after the peak", two, nil, at(18, 0), unseen(), "peak 7 14:00, use 7 13:15-7 15:14, hungry 7 17:59, feed 7 16:03. By the published times: no past feeding of this starter is known."},
		{"at its peak", two, nil, time.Time{}, peaked(estimator.Peak, at(13, 0), at(13, 0)), "peak 7 13:00, use 7 12:24-7 14:00, hungry 7 16:12, feed 7 15:08. By the peak that the sensor saw."},
		{"hungry", two, nil, time.Time{}, peaked(estimator.Hungry, at(13, 0), at(15, 30)), "peak 7 13:00, use 7 12:24-7 14:00, hungry 7 15:30, feed 7 15:30. By the peak that the sensor saw."},
		{"the peak of an earlier feed", two, nil, time.Time{}, peaked(estimator.Hungry, at(8, 0), at(15, 30)), "peak 7 14:00, use 7 13:15-7 15:14, hungry 7 17:59, feed 7 16:03. By the published times: no past feeding of this starter is known."},
		{"falling", one, nil, time.Time{}, peaked(estimator.Falling, at(13, 0), at(13, 30)), "peak 7 13:00, use 7 12:24-7 14:00, hungry 7 16:12, feed 7 15:08. By the peak that the sensor saw."},
		{"falling, then in the cold", one, nil, at(14, 0), peaked(estimator.Falling, at(13, 0), at(13, 30)), "peak 7 13:00, use 7 12:24-7 14:00, hungry 13 04:38, feed 10 11:21. By the peak that the sensor saw."},
		{"a peak in the cold", one, nil, at(11, 0), peaked(estimator.Falling, at(15, 0), at(13, 30)), "peak 7 15:00, use 7 10:45-8 22:36, hungry 11 20:07, feed 10 10:24. By the peak that the sensor saw."},
		{"one past feeding", one, once, time.Time{}, unseen(), "peak 7 12:55, use 7 12:20-7 13:53, hungry 7 16:03, feed 7 14:55. By one past feeding of this starter and the published times."},
		{"two", one, append(once, once...), time.Time{}, unseen(), "peak 7 12:57, use 7 12:22-7 13:56, hungry 7 16:07, feed 7 15:06. By 2 past feedings of this starter."},
	} {
		got, err := tend(c.feed, c.past, 24, c.cold, 4, c.e)
		require.NoError(t, err)
		assert.Equal(t, c.want, cared(got), c.name)
	}
	_, err := tend(Feed{}, nil, 24, time.Time{}, 4, unseen())
	assert.Error(t, err)
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
		if cold.IsZero() && care.NextFeed.Before(w.Until) {
			t.Fatalf("fed before the late end of the peak: %+v", care)
		}
		e := unseen()
		e.Time, e.Phase, e.PeakAt, e.PhaseSince = at(23, 0), estimator.Falling, at(15, 0), at(16, 0)
		if care, err = tend(f, nil, c, time.Time{}, 4, e); err != nil || care.NextFeed.Before(e.PhaseSince) {
			t.Fatalf("a starter that is watched is fed before it falls: %v %+v", err, care)
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

// TestTheilSenCloudSeeding checks against the worked example of Theil's estimator
// in Hollander and Wolfe, Nonparametric Statistical Methods (effect of cloud
// seeding on rainfall, five years): Kendall's count -6, slope about -0.056. The
// data are given from memory.
func TestTheilSenCloudSeeding(t *testing.T) {
	got := theilSen([]float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03})
	assert.InDelta(t, -0.05625, got.PerWeek, 1e-12)
	assert.False(t, got.Clear, "five points are too few for a trend to be called clear")
}

// TestSenInterval checks ranks M1 and M2+1 of the interval by hand: ten points
// without ties have 45 slopes and Var(S) = 10*9*25/18 = 125, so the 95 % interval
// runs from slope (45-21.9)/2 = 11.5 to 33.5+1 in order, cut to whole ranks.
func TestSenInterval(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	y := []float64{5, 4.8, 4.9, 4.1, 4.4, 3.9, 3.2, 3.6, 3.1, 2.7}
	var slopes []float64
	for i := range x {
		for j := range i {
			slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
		}
	}
	Median(slopes)
	got := theilSen(x, y)
	assert.Equal(t, slopes[10], got.Low)
	assert.Equal(t, slopes[33], got.High)
	assert.True(t, got.Clear)
}

func TestTheilSenProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(8, 40).Draw(rt, "n")
		a := rapid.Float64Range(-5, 5).Draw(rt, "slope")
		b := rapid.Float64Range(-100, 100).Draw(rt, "level")
		var x, y []float64
		for i := range n {
			x = append(x, float64(i))
			y = append(y, b+a*float64(i))
		}
		// Fewer than three in ten wild points do not carry the line away.
		for range n / 10 {
			y[rapid.IntRange(0, n-1).Draw(rt, "at")] += rapid.Float64Range(-1e4, 1e4).Draw(rt, "wild")
		}
		got := theilSen(x, y)
		assert.InDelta(rt, a, got.PerWeek, 1e-6)
	})
	same := theilSen(make([]float64, 10), []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	assert.True(t, math.IsNaN(same.PerWeek), "ten rises at one moment have no trend")
}

// starterRise is an invented watched feeding.
func starterRise(week, equiv, peak float64) Rise {
	at := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC).Add(time.Duration(week * 7 * 24 * float64(time.Hour)))
	return Rise{ID: int64(week * 10), Vessel: "jar", Holds: estimator.Starter, StartedAt: at, PeakAt: at.Add(6 * time.Hour),
		EndedAt: at.Add(8 * time.Hour), PeakPercent: peak, PeakEquivHours: equiv, MeanDoughC: math.NaN()}
}

func TestVigour(t *testing.T) {
	var rises []Rise
	for i := range 12 {
		wobble := math.Sin(float64(i)*2.1) / 10
		rises = append(rises, starterRise(float64(11-i), 5+0.2*float64(11-i)+wobble, 150+40*wobble))
	}
	early := starterRise(20, 1, 20)
	early.EndedAt = early.PeakAt
	dough := starterRise(21, 1, 20)
	dough.Holds = estimator.Dough
	unknown := starterRise(22, math.NaN(), 20)
	underWay := starterRise(23, 1, 20)
	underWay.EndedAt = time.Time{}
	falling := underWay
	falling.StartedAt, falling.Phase = time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC).Add(12*7*24*time.Hour), estimator.Falling
	falling.PeakEquivHours, falling.PeakPercent = 7.4, 150
	v := VigourTrendOf(append(rises, early, dough, unknown, underWay, falling))
	require.Len(t, v.Feeds, 13, "only feedings watched past the peak count")
	assert.True(t, v.Feeds[0].StartedAt.Before(v.Feeds[1].StartedAt))
	assert.InDelta(t, 0.2, v.ToPeak.PerWeek, 0.03)
	assert.True(t, v.ToPeak.Clear)
	assert.False(t, v.Peak.Clear, "a level that only wobbles has no trend")
	assert.InDelta(t, 150, v.Peak.Middle, 4)
	assert.Zero(t, VigourTrendOf(nil).ToPeak.N)
}

func TestPastFeedsKnowLateAndCold(t *testing.T) {
	a, b, c := starterRise(0, 4, 140), starterRise(10./7, 5, 120), starterRise(19./7, 4, 90)
	a.ID, b.ID, c.ID, a.MeanDoughC, b.MeanDoughC = 1, 2, 3, 24, 0
	b.EndedAt = b.PeakAt // used at its peak: that is not sure
	c.EndedAt = time.Time{}
	got := PastFeeds([]Rise{a, b, c}, map[int64]time.Time{1: a.StartedAt.AddDate(0, 0, 1)})
	require.Len(t, got, 2, "the one under way is not past")
	assert.Equal(t, 6.0, got[0].PeakHours)
	assert.InDelta(t, 10*24-6, got[0].LateHours, 1e-6)
	assert.Zero(t, got[0].ColdDays)
	assert.True(t, math.IsNaN(got[1].PeakHours))
	assert.True(t, math.IsNaN(got[1].MeanC))
	assert.InDelta(t, 9, got[1].ColdDays, 1e-6)
	at := a.StartedAt
	told := []Event{{Kind: EventFridge, At: at}, {Kind: EventCounter, At: at.Add(time.Hour)}, {Kind: EventFridge, At: at.Add(2 * time.Hour)}}
	assert.Equal(t, at.Add(2*time.Hour), ColdSince(told))
	told[2].UndoneAt = at
	assert.Zero(t, ColdSince(told))
}

// TestThePlannedDoughAgainstTheProbe: what is learnt of the mixing, and when nothing is.
func TestThePlannedDoughAgainstTheProbe(t *testing.T) {
	planned := NewProcess(DefaultBatch(), time.Time{}, 22)
	planned.Edit(MixID, func(d *StepDef) { d.Values = Values{"dough_c": 24.0} })
	unplanned := NewProcess(DefaultBatch(), time.Time{}, 22)
	at := func(after time.Duration, c float64) []forecast.Point { return []forecast.Point{{At: after, DoughC: c}} }
	require.NotNil(t, warmerThan(&planned, at(time.Minute, 25.5)))
	assert.InDelta(t, 1.5, *warmerThan(&planned, at(time.Minute, 25.5)), 1e-9)
	for what, got := range map[string]*float64{
		"no process": warmerThan(nil, at(0, 25)), "not planned": warmerThan(&unplanned, at(0, 25)), "no probe": warmerThan(&planned, at(0, math.NaN())),
		"seen too late": warmerThan(&planned, at(time.Hour, 25)), "no reading": warmerThan(&planned, nil),
	} {
		assert.Nil(t, got, what)
	}
}
