package page

import (
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// TestAnAbsenceCountsEverywhere: who tells in one vessel that nobody is there is not asked
// for a hand in another one then.
func TestAnAbsenceCountsEverywhere(t *testing.T) {
	t.Parallel()
	k := openKitchen(t, berliners, true, 0)
	k.tell("tub", bake.EventStart)
	k.tell("jar", bake.EventFed)
	k.pass(3 * time.Hour)
	ready := k.app.State("tub").Estimate.Ready.Median
	require.False(t, ready.IsZero())
	b := newBrowser(t, k.server(nil))
	clock := func(at time.Time) string { return at.In(berlin(t)).Format("15:04") }
	w := b.post("/act", url.Values{"kind": {"away"}, "vessel": {"jar"}, "away_from": {clock(ready.Add(-90 * time.Minute))}, "away_until": {clock(ready.Add(5 * time.Hour))}})
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	k.pass(4 * time.Minute)
	a := k.app.State("tub").Advice
	require.NotNil(t, a)
	assert.True(t, a.Away)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"undo"}, "vessel": {"jar"}}).Code)
	k.pass(4 * time.Minute)
	if a := k.app.State("tub").Advice; a != nil {
		assert.False(t, a.Away, "it was taken back")
	}
}

// TestAWarningLeavesTheTapOnTheScreen: with a warning above it the button for what is to be
// done now still stands on the first screen of a phone, and so do those of the warning.
func TestAWarningLeavesTheTapOnTheScreen(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for name, doughC := range map[string]float64{"too-warm": 33, "too-cold": 9} {
		k := openKitchen(t, berliners, true, 0)
		k.hot = doughC
		k.tell("tub", bake.EventStart)
		for range 12 {
			k.pass(5 * time.Minute)
			k.app.Advance(k.clock.Now())
		}
		require.NotEmpty(t, k.app.State("tub").Now.Tap, "a fold is due")
		for _, sc := range []screen{{360, 740, "light"}, {360, 740, "dark"}, {1280, 800, "light"}} {
			b := open(t, browser, sc)
			b.run(chromedp.Navigate(serve(t, k.server(nil)) + "/?vessel=tub"))
			b.wait("document.querySelector('.warn button') !== null && document.fonts.status === 'loaded'", name)
			for _, key := range []string{"main", "remedy-fridge"} {
				assert.LessOrEqual(t, js[float64](b, "document.querySelector('[data-key="+key+"]').getBoundingClientRect().bottom"), float64(sc.h), "%s: %s", name, key)
			}
			b.accessible(name)
			b.keep(name + "-" + sc.String())
		}
	}
}
