package alert

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// fed is the care of an invented starter fed at noon: peak at 16:00, hungry at
// 19:00, next feed at 18:00.
func fed() *bake.Care {
	at := func(h float64) time.Time { return noon().Add(time.Duration(h * float64(time.Hour))) }
	return &bake.Care{Feed: bake.NewFeed(noon(), 1, 60, 0), Peak: estimator.Window{From: at(3), Median: at(4), Until: at(5)},
		UseFrom: at(3.4), UseUntil: at(5), Hungry: estimator.Window{From: at(6), Median: at(7), Until: at(8)}, NextFeed: at(6)}
}

func TestHungerByTheCareOfTheFeeds(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Input)
		want   string // reason; empty for none
		text   string
	}{
		{"seen rising, past its usual time", func(*Input) {}, "", ""},
		{"not seen", func(in *Input) { in.Estimate.Quality = estimator.QualityGap }, ByTime, "by its usual time it is hungry about 19:00"},
		{"in the cold", func(in *Input) { in.InFridge = true }, InCold, "is kept cold. It is due for a feed."},
		{"seen hungry", func(in *Input) { in.Estimate.Phase = estimator.Hungry }, string(estimator.Hungry), "has little left to eat"},
		{"nothing known of its feeds", func(in *Input) { in.Care, in.InFridge = nil, true }, "", ""},
		{"not due yet", func(in *Input) { in.Care.NextFeed, in.InFridge = noon().AddDate(0, 0, 7), true }, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.in.Holds, s.in.Vessel, s.in.Care = estimator.Starter, "jar", fed()
			c.change(&s.in)
			s.run(7*time.Hour, time.Minute, nil)
			var got []Alarm
			for _, a := range s.saidA {
				if a.Kind == StarterHungry {
					got = append(got, a)
				}
			}
			if c.want == "" {
				assert.Empty(t, got)
				return
			}
			require.Len(t, got, 1, "told once a feed")
			assert.Equal(t, c.want, got[0].Reason)
			assert.Contains(t, got[0].Text, c.text)
			assert.Contains(t, got[0].Text, "pink or orange, throw it away")
			if c.want != string(estimator.Hungry) {
				assert.InDelta(t, 6*60+5, got[0].FiredAt.Sub(noon()).Minutes(), 1.5, "at the next feed, held five minutes")
			}
		})
	}
}

func TestStarterMessagesTellTheHoursToCome(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.in.Holds, s.in.Care, s.in.Findings = estimator.Starter, fed(), make([]bake.Finding, 1)
	s.set(func(e *estimator.Estimate) { e.Phase, e.PhaseSince = estimator.Peak, noon().Add(4*time.Hour) })
	s.in.At = noon().Add(4 * time.Hour)
	s.run(10*time.Minute, time.Minute, nil)
	peak := s.saidA[len(s.saidA)-1]
	assert.Equal(t, StarterPeak, peak.Kind)
	assert.Contains(t, peak.Text, "Best used until 17:00; hungry about 19:00.")
	assert.Contains(t, peak.Text, "the temperature first")
	s.set(func(e *estimator.Estimate) { e.Phase, e.PhaseSince = estimator.Falling, noon().Add(5*time.Hour) })
	s.run(time.Hour, time.Minute, nil)
	falling := s.saidA[len(s.saidA)-1]
	assert.Equal(t, StarterFalling, falling.Kind)
	assert.Contains(t, falling.Text, "Hungry about 19:00: feed it by then.")
}

func TestAProofIsToldAsAProof(t *testing.T) {
	loaf := estimator.Window{From: noon().Add(100 * time.Minute), Median: noon().Add(110 * time.Minute), Until: noon().Add(2 * time.Hour)}
	for _, c := range []struct {
		name     string
		proof    bake.ProofBasis
		loaf     Loaf
		near     string
		reached  string
		past     string // text of the over warning; empty when there is none
		levelled string
	}{
		{"a bulk", "", Loaf{}, "be ready to shape it", "Shape it now", "Shape it now", "go on without waiting for the target"},
		{"a basket", bake.BasketBasis, Loaf{}, "The loaf goes in at the target", "Bake it now", "Bake it now. A loaf that waits longer", "bake it without waiting"},
		{"a sample jar", bake.SampleBasis, Loaf{By: loaf, Told: true}, "It stands for the loaf of vat, which by its own temperature is ready about 13:50", "is ready about 13:50. Bake by that time.", "", "bake it without waiting"},
		{"a sample jar of no bake", bake.SampleBasis, Loaf{}, "The loaf goes in at the target", "Bake it now", "Bake it now", "bake it without waiting"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newScene(t, text.Locale{})
			s.in.ProofBasis, s.in.ProofOf, s.in.Loaf = c.proof, "vat", c.loaf
			s.ready(90)
			s.run(65*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 100 })
			s.run(10*time.Minute, time.Minute, nil)
			s.set(func(e *estimator.Estimate) { e.Phase, e.RisePercent = estimator.Over, 131 })
			s.run(15*time.Minute, time.Minute, nil)
			texts := map[Kind]string{}
			for _, a := range s.saidA {
				if a.State == Firing {
					texts[a.Kind] = a.Text
				}
			}
			assert.Contains(t, texts[Near], c.near)
			assert.Contains(t, texts[Reached], c.reached)
			if c.past == "" {
				assert.NotContains(t, texts, Over)
			} else {
				assert.Contains(t, texts[Over], c.past)
			}
			low := newScene(t, text.Locale{})
			low.in.ProofBasis, low.in.ProofOf, low.in.Loaf = c.proof, "vat", c.loaf
			low.set(func(e *estimator.Estimate) { e.LevelsOffShort, e.CeilingPercent = true, 80 })
			low.run(15*time.Minute, time.Minute, nil)
			assert.Contains(t, low.saidA[0].Text, c.levelled)
		})
	}
}

func TestASampleJarIsSilentOnceItsLoafHasProofed(t *testing.T) {
	s := newScene(t, text.Locale{})
	s.in.ProofBasis, s.in.ProofOf, s.in.Loaf.Told = bake.SampleBasis, "vat", true
	s.ready(40)
	s.run(30*time.Minute, time.Minute, nil)
	s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Over, true, 125 })
	s.run(15*time.Minute, time.Minute, nil)
	s.set(func(e *estimator.Estimate) { e.LevelsOffShort = true })
	s.run(15*time.Minute, time.Minute, nil)
	assert.Empty(t, s.said)

	s = newScene(t, text.Locale{})
	s.in.ProofBasis, s.in.ProofOf, s.in.Loaf = bake.SampleBasis, "vat", Loaf{Told: true, By: estimator.Window{Median: noon()}}
	s.set(func(e *estimator.Estimate) { e.Phase, e.ReadyIsPast, e.RisePercent = estimator.Ready, true, 100 })
	s.run(10*time.Minute, time.Minute, nil)
	s.in.Loaf.By = estimator.Window{}
	s.run(10*time.Minute, time.Minute, nil)
	require.Equal(t, []string{"12:02 raised reached at_mark", "12:11 resolved reached at_mark"}, s.said)
}

// stepText is what is told of a step that is due after the bulk.
func stepText(t *testing.T, h text.Locale, id string, after *bake.After) string {
	t.Helper()
	s := newScene(t, h)
	s.in.After = after
	s.in.Estimate.Phase = estimator.Ended
	s.in.Steps = []bake.Step{{ID: id, Name: id, Do: "Do it.", State: bake.DueNow, At: noon(), From: noon(), Until: noon()}}
	s.run(time.Minute, 10*time.Second, nil)
	require.Len(t, s.saidA, 1)
	return s.saidA[0].Text
}

func TestStepsAfterTheBulkTellWhatIsMeasured(t *testing.T) {
	nan := math.NaN()
	lean := bake.After{CoreC: nan, Done: bake.Core{LowC: 93, BestC: 96, MostC: 98}, SliceC: 35}
	with := func(change func(*bake.After)) *bake.After {
		a := lean
		change(&a)
		return &a
	}
	done := with(func(a *bake.After) { a.Probe, a.CoreC, a.DoneAt = true, 94.4, noon() })
	for _, c := range []struct {
		id         string
		after      *bake.After
		want, inDe string
	}{
		{bake.ProofID, with(func(a *bake.After) { a.Basis = bake.BasketBasis }), "by the sensor over the basket", "Sensor über dem Gärkorb"},
		{bake.ProofID, with(func(a *bake.After) { a.Basis = bake.SampleBasis }), "corrected for its temperature", "Probeglas"},
		{bake.ProofID, with(func(a *bake.After) { a.Basis = bake.TimeBasis }), "No sensor watches the proof", "Kein Sensor sieht die Stückgare"},
		{bake.OutID, done, "The core is at 94\u00a0°C: such a loaf is done from 93\u00a0°C, best at 96\u00a0°C to 98\u00a0°C.", "Der Kern hat 94\u00a0°C; so ein Brot ist ab 93\u00a0°C gar, am besten bei 96\u00a0°C bis 98\u00a0°C."},
		{bake.OutID, with(func(a *bake.After) { a.Probe, a.CoreC = true, 81 }), "The core is only at 81\u00a0°C", "Der Kern hat erst 81\u00a0°C"},
		{bake.OutID, &lean, "No probe is in the loaf: that is by the clock.", "Im Brot steckt kein Fühler"},
		{bake.SliceID, with(func(a *bake.After) { a.Probe, a.CoreC = true, 34.8 }), "The core is at 35\u00a0°C", "Der Kern hat 35\u00a0°C"},
		{bake.SliceID, &lean, "by its weight and common practice", "nach Gewicht und üblicher Erfahrung"},
		{bake.SliceID, nil, "Do it.", "Do it."},
		{bake.BakeID, &lean, "Do it.", "Do it."},
	} {
		assert.Contains(t, stepText(t, text.Locale{}, c.id, c.after), c.want)
		assert.Contains(t, stepText(t, text.Locale{Language: "de"}, c.id, c.after), c.inDe)
	}
	assert.Contains(t, stepText(t, text.Locale{Fahrenheit: true}, bake.OutID, done), "The core is at 202\u00a0°F: such a loaf is done from 199\u00a0°F, best at 205\u00a0°F to 208\u00a0°F.")
}

// TestNothingIsSaidToSinkFromWhereItStands words a starter that has not sunk.
func TestNothingIsSaidToSinkFromWhereItStands(t *testing.T) {
	for phase, want := range map[estimator.Phase]string{
		estimator.Hungry:  "jar has been at 85 % since 12:00 and has little left to eat.",
		estimator.Falling: "jar has been past its peak since 12:00; it is at 85 %.",
	} {
		s := newScene(t, text.Locale{})
		s.in.Holds, s.in.Vessel = estimator.Starter, "jar"
		s.set(func(e *estimator.Estimate) {
			e.Phase, e.PhaseSince, e.RisePercent, e.PeakPercent = phase, noon(), 84.8, 85.3
		})
		s.run(20*time.Minute, time.Minute, nil)
		require.NotEmpty(t, s.saidA)
		assert.Contains(t, strings.ReplaceAll(s.saidA[0].Text, "\u00a0", " "), want)
	}
}
