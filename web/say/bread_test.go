package say_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web/say"
)

// clockAt is a time of an invented day.
func clockAt(h, m int) time.Time { return time.Date(2026, 3, 14, h, m, 0, 0, time.UTC) }

func span(from, mid, until time.Time) estimator.Window {
	return estimator.Window{From: from, Median: mid, Until: until}
}

// ended is a vessel whose bulk is over.
func ended(a bake.After, now time.Time) say.Vessel {
	nan := math.NaN()
	return say.Vessel{Name: "tub", Holds: estimator.Dough, Now: now, After: &a,
		Estimate: estimator.Estimate{Phase: estimator.Ended, PhaseSince: clockAt(17, 40), DoughC: nan, AirC: 21, Quality: estimator.QualityGap}}
}

func TestTheBakeAfterItsBulkInSentences(t *testing.T) {
	nan := math.NaN()
	lean := bake.After{CoreC: nan, Done: bake.Core{LowC: 93, BestC: 96, MostC: 98}, SliceC: 35}
	with := func(change func(*bake.After)) bake.After {
		a := lean
		change(&a)
		return a
	}
	house := say.House{Zone: time.UTC}
	for _, c := range []struct {
		name  string
		after bake.After
		want  say.Answer
		basis string
		short string
	}{
		{"proof", with(func(a *bake.After) {
			a.Stage, a.Since, a.Until = bake.Proofing, clockAt(18, 20), span(clockAt(19, 40), clockAt(19, 55), clockAt(20, 15))
			a.Why = "by the sensor over the basket"
		}), say.Answer{When: "Final proof: ready between 19:40 and 20:15 (8 in 10), most likely 19:55."}, "Timed by the sensor over the basket.", "final proof, ready most likely 19:55"},
		{"proofed", with(func(a *bake.After) { a.Stage, a.Since = bake.Proofed, clockAt(18, 55) }),
			say.Answer{When: "Proofed: ready for the oven since 18:55."}, "", "proofed since 18:55"},
		{"oven, by the clock", with(func(a *bake.After) {
			a.Stage, a.Since, a.Until, a.Why = bake.Baking, clockAt(18, 40), span(clockAt(19, 24), clockAt(19, 24), clockAt(19, 24)), "by the clock"
		}), say.Answer{When: "In the oven since 18:40; by the clock it comes out at 19:24."}, "", "in the oven since 18:40"},
		{"oven, with a probe", with(func(a *bake.After) {
			a.Stage, a.Since, a.Probe, a.CoreC, a.Until = bake.Baking, clockAt(18, 40), true, 72.4, span(clockAt(19, 24), clockAt(19, 24), clockAt(19, 24))
		}), say.Answer{When: "In the oven since 18:40; it comes out when its core is done.", Level: "Core 72.4 °C; such a loaf is done from 93 °C, best at 96 °C to 98 °C."}, "", "in the oven since 18:40"},
		{"done", with(func(a *bake.After) {
			a.Stage, a.Since, a.Probe, a.CoreC, a.DoneAt = bake.LoafDone, clockAt(18, 58), true, 94, clockAt(18, 58)
		}), say.Answer{When: "The loaf is done since 18:58: take it out.", Level: "Core 94.0 °C; such a loaf is done from 93 °C, best at 96 °C to 98 °C."}, "", "done since 18:58, take it out"},
		{"cooling", with(func(a *bake.After) {
			a.Stage, a.Since, a.Probe, a.CoreC = bake.Cooling, clockAt(18, 0), true, 61
			a.Until, a.Why = span(clockAt(19, 50), clockAt(20, 0), clockAt(20, 10)), "by the probe in the loaf"
		}), say.Answer{When: "Cooling: cool enough to slice between 19:50 and 20:10 (8 in 10), most likely 20:00.", Level: "Core 61.0 °C; it slices cleanly from 35 °C down."},
			"Timed by the probe in the loaf.", "cooling, to slice most likely 20:00"},
		{"cooling, by mass", with(func(a *bake.After) {
			a.Stage, a.Since, a.Until = bake.Cooling, clockAt(18, 0), span(clockAt(19, 0), clockAt(19, 30), clockAt(20, 0))
			a.Why = "by its weight and common practice; no probe is in the loaf"
		}), say.Answer{When: "Cooling: cool enough to slice between 19:00 and 20:00 (8 in 10), most likely 19:30."},
			"Timed by its weight and common practice; no probe is in the loaf.", "cooling, to slice most likely 19:30"},
		{"to slice", with(func(a *bake.After) { a.Stage, a.Since, a.Probe, a.CoreC = bake.Sliceable, clockAt(18, 50), true, 34.2 }),
			say.Answer{When: "Cool enough to slice since 18:50.", Level: "Core 34.2 °C."}, "", "cool enough to slice since 18:50"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := ended(c.after, clockAt(19, 0))
			assert.Equal(t, c.want, say.For(v, house))
			assert.Equal(t, c.basis, say.AfterBasis(&c.after))
			assert.Equal(t, c.short, say.Short(v, house))
		})
	}
	hot := ended(with(func(a *bake.After) { a.Stage, a.Since, a.Probe, a.CoreC = bake.Baking, clockAt(18, 40), true, 72 }), clockAt(19, 0))
	assert.Equal(t, "Core 161.6 °F; such a loaf is done from 199 °F, best at 205 °F to 208 °F.", say.For(hot, say.House{Fahrenheit: true}).Level)
}

// fedAt8 is a starter fed at 8:00, best used from 11:24 to 13:00, hungry about
// 15:00, to be fed by 14:00.
func fedAt8() *bake.Care {
	return &bake.Care{Feed: bake.NewFeed(clockAt(8, 0), 2, 100, 0), Peak: span(clockAt(11, 0), clockAt(12, 0), clockAt(13, 0)),
		UseFrom: clockAt(11, 24), UseUntil: clockAt(13, 0), Hungry: span(clockAt(14, 0), clockAt(15, 0), clockAt(16, 0)), NextFeed: clockAt(14, 0), Basis: "by 4 past feeds of this starter"}
}

func starter(now time.Time, p estimator.Phase) say.Vessel {
	nan := math.NaN()
	return say.Vessel{Name: "jar", Holds: estimator.Starter, Now: now, Care: fedAt8(), Estimate: estimator.Estimate{Phase: p, PhaseSince: clockAt(12, 10),
		Started: clockAt(8, 0), DoughC: nan, AirC: nan, RisePercent: nan, RiseSD: nan, PeakPercent: 120, PeakAt: clockAt(12, 0), Quality: estimator.QualityOK}}
}

func TestTheNextHoursOfAStarter(t *testing.T) {
	for _, c := range []struct {
		now  time.Time
		want string
		due  bool
	}{
		{clockAt(9, 0), "Best used from 11:24 to 13:00. Hungry about 15:00.", false},
		{clockAt(12, 0), "At its best now, until 13:00. Feed it by 14:00.", false},
		{clockAt(13, 30), "Its best use ended at 13:00. Feed it by 14:00.", false},
		{clockAt(14, 5), "Now: feed it (due 14:00).", true},
	} {
		a := say.For(starter(c.now, estimator.Rising), say.House{})
		assert.Equal(t, c.want, a.Next)
		assert.Equal(t, c.due, a.Due)
	}
}

func TestTheTableOfAStarter(t *testing.T) {
	house := say.House{}
	names := func(rows []say.Row) (out []string) {
		for _, r := range rows {
			out = append(out, r.When+" "+r.What)
		}
		return out
	}
	rows := say.Table(starter(clockAt(9, 0), estimator.Rising), nil, house)
	assert.Equal(t, []string{"08:00 feed", "12:00 peak, under way", "12:00 use", "14:00 feed again", "15:00 hungry"}, names(rows))
	rows = say.Table(starter(clockAt(12, 30), estimator.Peak), []say.Deed{{ID: 1, At: clockAt(8, 0), Word: "fed"}}, house)
	assert.Equal(t, []string{"08:00 fed", "12:00 peak, 120 %", "12:00 use", "14:00 feed again", "15:00 hungry"}, names(rows))
	require.True(t, rows[2].Due, "it is to be used now")
	assert.Equal(t, "11:24 to 13:00", rows[2].Window)
	assert.Contains(t, rows[3].Caution, "throw it all away")
}

func TestStands(t *testing.T) {
	assert.Empty(t, say.Stands("", ""))
	assert.Equal(t, "final proof of tub", say.Stands("tub", bake.BasketBasis))
	assert.Equal(t, "sample jar of tub", say.Stands("tub", bake.SampleBasis))
}
