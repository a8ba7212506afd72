package web_test

import (
	"encoding/json"
	"html"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/web"
	"tidemark/web/say"
)

var (
	tags     = regexp.MustCompile(`(?s)<(style|script|textarea)[^>]*>.*?</|<[^>]*>`)
	celsius  = regexp.MustCompile(`-?\d+([.,]\d+)? ?(°C|° ?C\b|C\b)`)
	hours24  = regexp.MustCompile(`\b\d{1,2}:\d\d\b( ?[ap]m)?`)
	moments  = regexp.MustCompile(`\d{4}-\d\d-\d\dT`)
	bareUnit = regexp.MustCompile(`\d [CF]\b`)
)

// foreign lists what a household of degrees Fahrenheit and 12 hours would not write.
func foreign(text string) []string {
	found := append(celsius.FindAllString(text, -1), moments.FindAllString(text, -1)...)
	found = append(found, bareUnit.FindAllString(text, -1)...)
	for _, s := range hours24.FindAllString(text, -1) {
		if s[len(s)-1] != 'm' {
			found = append(found, s)
		}
	}
	return found
}

// american changes the kitchen's household.
func american(t testing.TB) func(*web.Options) {
	zone, err := time.LoadLocation("America/Chicago")
	require.NoError(t, err)
	return func(o *web.Options) {
		o.House = say.House{Zone: zone, Clock12: true, Fahrenheit: true}
		o.Now = func() time.Time { return time.Date(2026, 3, 14, 16, 20, 0, 0, time.UTC) }
	}
}

// inEveryState puts the default bread into the tub at each of its stages, and what
// else has words of its own.
func inEveryState(t *testing.T, each func(name string, change func(*time.Time, []web.Vessel, *web.System))) {
	for _, hours := range []float64{-1, 0.1, 0.5, 1.5, 3, 5, 6.5, 8, 9.5, 11, 12, 15} {
		each("the default bread after "+time.Duration(hours*float64(time.Hour)).String(), func(now *time.Time, v []web.Vessel, _ *web.System) {
			p := bake.DefaultProcess(now.Add(-time.Duration(hours*float64(time.Hour))), 22)
			est := v[0].Estimate
			est.Started = p.Started.Add(time.Hour)
			if hours > 6 {
				require.NoError(t, p.Done(bake.MixID, p.Started.Add(10*time.Minute), "page"))
				require.NoError(t, p.Done(bake.ShapeID, p.Started.Add(6*time.Hour), "page"))
			}
			v[0].Steps = p.Steps(*now, est)
		})
	}
	each("a bake that cools and a starter that is weak", bread)
	each("nothing seen", func(now *time.Time, v []web.Vessel, _ *web.System) {
		e := &v[0].Estimate
		e.Quality, e.QualityReason, e.LastSeen = estimator.QualityGap, "the sensor gives no reading. Cable, power or a crashed bus?", now.Add(-20*time.Minute)
	})
}

// TestNoForeignUnitsOnThePage: in a household of degrees Fahrenheit and 12 hours no
// page, part of a page or text of the API speaks of Celsius or 24 hours.
func TestNoForeignUnitsOnThePage(t *testing.T) {
	inEveryState(t, func(name string, change func(*time.Time, []web.Vessel, *web.System)) {
		s, k := newServer(t, american(t))
		k.Change(change)
		b := newBrowser(t, s)
		for _, path := range []string{"/?vessel=tub", "/?vessel=jar", "/kitchen", "/house", "/plan", "/plan?ready=2026-03-15T13:00&air=72&fridge=yes&ripe=2026-03-15T05:00&out=2026-03-15T02:00"} {
			w := b.get(path)
			require.Equal(t, 200, w.Code, path)
			text := html.UnescapeString(tags.ReplaceAllString(w.Body.String(), " "))
			assert.Empty(t, foreign(text), "%s: %s", name, path)
		}
		w := do(s, apiRequest("GET", "/api/v1/vessels/tub", ""))
		require.Equal(t, 200, w.Code)
		var v struct {
			State struct {
				Steps []struct{ Do, Caution, Why string }
			}
		}
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &v))
		for _, st := range v.State.Steps {
			assert.Empty(t, foreign(st.Do+" "+st.Caution+" "+st.Why), name)
		}
	})
}

// TestUnitsHaveTheirSign: the same in a household of degrees Celsius, whose 24 hours
// and signs are right, but no bare C.
func TestUnitsHaveTheirSign(t *testing.T) {
	inEveryState(t, func(name string, change func(*time.Time, []web.Vessel, *web.System)) {
		s, k := newServer(t, nil)
		k.Change(change)
		text := html.UnescapeString(tags.ReplaceAllString(newBrowser(t, s).get("/?vessel=tub").Body.String(), " "))
		assert.Empty(t, bareUnit.FindAllString(text, -1), name)
		assert.Empty(t, moments.FindAllString(text, -1), name)
	})
}

// TestNotSeenIsToldOnceInTheHouseholdsClock: since when the dough is not seen stands
// there once, by the household's zone and clock.
func TestNotSeenIsToldOnceInTheHouseholdsClock(t *testing.T) {
	s, k := newServer(t, american(t))
	k.Change(func(now *time.Time, v []web.Vessel, _ *web.System) {
		e := &v[0].Estimate
		e.Quality, e.QualityReason = estimator.QualityGap, "the sensor gives no reading. Cable, power or a crashed bus?"
		e.LastSeen = time.Date(2026, 3, 14, 15, 46, 0, 0, time.UTC)
	})
	page := newBrowser(t, s).get("/?vessel=tub").Body.String()
	assert.Contains(t, page, `<p class="big">10:46<span class="suffix">am</span></p>`)
	assert.Contains(t, page, "The sensor gives no reading. Cable, power or a crashed bus?")
}

// TestAtTheMarkThePageDoesNotSayToWait shows the default bread at its mark and at the
// end of its proof.
func TestAtTheMarkThePageDoesNotSayToWait(t *testing.T) {
	s, k := newServer(t, nil)
	show := func(p bake.Process, est estimator.Estimate, now time.Time) string {
		k.Change(func(at *time.Time, v []web.Vessel, _ *web.System) {
			v[0].Estimate, v[0].Steps = est, p.Steps(now, est)
			if a, after := p.After(now, v[0].Steps); after {
				v[0].RiseID, v[0].After = 0, &a
			}
			*at = now
		})
		return newBrowser(t, s).get("/?vessel=tub").Body.String()
	}
	est := k.Snapshot().Vessels[0].Estimate
	began := est.Started
	p := bake.DefaultProcess(began.Add(-time.Hour), 24)
	require.NoError(t, p.Done(bake.MixID, began, "page"))
	require.NoError(t, p.Done("fold-4", began.Add(3*time.Hour), "page"))
	est.Phase, est.ReadyIsPast, est.PhaseSince, est.RisePercent = estimator.Ready, true, began.Add(6*time.Hour), 101
	est.Ready = estimator.Window{From: est.PhaseSince, Median: est.PhaseSince, Until: est.PhaseSince}
	page := show(p, est, began.Add(6*time.Hour+5*time.Minute))
	assert.Contains(t, page, `<p class="word">Doubled</p>
<p class="big">18:00</p>`)
	assert.Contains(t, page, `<p class="what">Shape it</p>`)
	assert.Contains(t, page, "Turn the dough out, divide it and round the pieces.")
	assert.NotContains(t, page, "until it reaches its target")
	assert.NotContains(t, page, "Leave the dough")

	require.NoError(t, p.Done(bake.ShapeID, began.Add(7*time.Hour), "page"))
	est.Phase, est.PhaseSince = estimator.Ended, began.Add(7*time.Hour)
	page = show(p, est, began.Add(10*time.Hour))
	assert.Contains(t, page, "Press a floured finger in: when the dent fills back slowly, the loaf goes into the oven")
	assert.NotContains(t, page, "until its target")
}
