package page

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/history"
)

// TestWarningsDoWhatTheyAdvise: dough that is too warm or too cold has the buttons for
// what its warning advises, on the page.
func TestWarningsDoWhatTheyAdvise(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name   string
		doughC float64
		want   []string
	}{
		{"too warm", 33, []string{">Into the fridge</button>", ">It stands cooler now</button>"}},
		{"too cold", 9, []string{">It is in the fridge on purpose</button>", ">It stands warmer now</button>"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			k := openKitchen(t, berliners, true, 0)
			k.hot = x.doughC
			k.tell("tub", bake.EventStart)
			for range 40 { // the evaluator looks each five minutes
				k.pass(5 * time.Minute)
				k.app.Advance(k.clock.Now())
			}
			b := newBrowser(t, k.server(nil))
			body := b.get("/?vessel=tub").Body.String()
			for _, want := range x.want {
				assert.Contains(t, body, want)
			}
			id := regexp.MustCompile(`name="alarm" value="([^"]+)"`).FindStringSubmatch(body)
			require.Len(t, id, 2)
			w := b.post("/act", url.Values{"kind": {"snooze"}, "vessel": {"tub"}, "alarm": {id[1]}, "minutes": {"60"}})
			require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
			w = b.post("/act", url.Values{"tap": {"fridge|"}, "vessel": {"tub"}, "alarm": {id[1]}})
			require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
			assert.True(t, k.app.State("tub").InFridge)
		})
	}
}

// TestTemperatureByHand: where no probe sees the dough its temperature can be told, on the
// page and through the API, and it counts until the dough moves.
func TestTemperatureByHand(t *testing.T) {
	t.Parallel()
	k := openKitchen(t, berliners, true, 0)
	k.tell("jar", bake.EventFed)
	k.pass(time.Hour)
	b := newBrowser(t, k.server(nil))
	body := b.get("/?vessel=jar").Body.String()
	assert.Contains(t, body, "How warm the dough is, as you measure it, °C")
	require.Equal(t, http.StatusConflict, b.post("/act", url.Values{"kind": {"temperature"}, "vessel": {"jar"}, "dough": {"hot"}}).Code)
	require.Equal(t, http.StatusConflict, b.post("/act", url.Values{"kind": {"temperature"}, "vessel": {"jar"}, "dough": {"90"}}).Code)
	w := b.post("/act", url.Values{"kind": {"temperature"}, "vessel": {"jar"}, "dough": {"26,5"}})
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	assert.InDelta(t, 26.5, *k.last("jar").DoughC, 1e-9)
	k.pass(90 * time.Minute)
	assert.InDelta(t, 26.5, k.app.State("jar").Estimate.DoughC, 1e-9, "until the next is told")
	assert.Contains(t, b.get("/?vessel=jar").Body.String(), "Dough at 26.5 °C")
	require.Equal(t, 200, do(k.server(nil), apiRequest("POST", "/api/v1/vessels/jar/acts", `{"kind":"temperature","dough_c":25}`)).Code)
	k.pass(10 * time.Minute)
	assert.InDelta(t, 25, k.app.State("jar").Estimate.DoughC, 1e-9)
	k.tell("jar", bake.EventFridge)
	k.pass(40 * time.Minute)
	assert.NotEqual(t, 25.0, k.app.State("jar").Estimate.DoughC, "it stands elsewhere")
}

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

// TestAPastRiseIsPutRight corrects the time of what was told in a past rise, takes it back,
// and removes the rise; what is watched now stays.
func TestAPastRiseIsPutRight(t *testing.T) {
	t.Parallel()
	k := openKitchen(t, berliners, true, 0)
	k.tell("tub", bake.EventStart)
	id := k.app.State("tub").RiseID
	k.pass(time.Hour)
	k.tell("tub", bake.EventFold)
	k.pass(4 * time.Hour)
	k.tell("tub", bake.EventEnd)
	k.pass(time.Hour)
	k.tell("tub", bake.EventStart)
	k.pass(10 * time.Minute)
	b := newBrowser(t, k.server(nil))
	page := fmt.Sprintf("/rises/%d", id)
	body := b.get(page).Body.String()
	fold := regexp.MustCompile(`name="undo" value="(\d+)"`).FindStringSubmatch(body)
	require.Len(t, fold, 2)
	form := url.Values{"kind": {"correct"}, "vessel": {"tub"}, "rise": {fmt.Sprint(id)}, "undo": {fold[1]}, "to": {page}, "at": {"2026-03-14T12:40"}}
	w := b.post("/act", form)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	assert.Equal(t, page, w.Header().Get("Location"))
	assert.Contains(t, b.get(page).Body.String(), `value="2026-03-14T12:40"`)
	form.Set("at", "2026-02-14T12:40")
	assert.Equal(t, http.StatusConflict, b.post("/act", form).Code, "outside of it")
	form.Set("kind", "undo")
	require.Equal(t, http.StatusSeeOther, b.post("/act", form).Code)
	assert.NotContains(t, b.get(page).Body.String(), `name="undo"`)
	now := fmt.Sprintf("/rises/%s/remove", k.riseID("tub"))
	assert.Equal(t, http.StatusConflict, b.post(now, url.Values{}).Code, "it is under way")
	require.Equal(t, http.StatusSeeOther, b.post(page+"/remove", url.Values{}).Code)
	assert.True(t, strings.Contains(b.get("/rises").Body.String(), "The rise is removed."))
	_, err := k.store.Rise(context.Background(), id)
	require.ErrorIs(t, err, history.ErrNotFound)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"undo"}, "vessel": {"tub"}}).Code, "the start that came after it")
	k.pass(10 * time.Minute)
	assert.Empty(t, k.app.Snapshot().System.StoreProblem)
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
