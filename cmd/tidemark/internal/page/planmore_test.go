package page

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestAPlanKeepsClearOfAnAbsence: the page's plan has no work of hands while nobody is
// there, and the form remembers it.
func TestAPlanKeepsClearOfAnAbsence(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	q := url.Values{"vessel": {"tub"}, "ready": {"2026-03-15T19:00"}, "air": {"21"}, "away_from": {"2026-03-15T08:00"}, "away_until": {"2026-03-15T12:00"}}
	w := b.get("/plan?" + q.Encode())
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	assert.Contains(t, w.Body.String(), `name="away_from" type="datetime-local" value="2026-03-15T08:00"`)
	q.Del("away_until")
	assert.Equal(t, http.StatusConflict, b.get("/plan?"+q.Encode()).Code)
	without := b.get("/plan?" + url.Values{"vessel": {"tub"}, "ready": {"2026-03-15T19:00"}, "air": {"21"}}.Encode()).Body.String()
	assert.NotEqual(t, strings.Count(without, "<tr>"), 0)
}

// TestAPlanKnowsTheOven: how many loaves go in at a time, and what they bake on, are asked
// on the page and come back in the timetable.
func TestAPlanKnowsTheOven(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	q := url.Values{"vessel": {"tub"}, "ready": {"2026-03-15T19:00"}, "air": {"21"}, "at_once": {"1"}, "bake_in": {"stone"}}
	w := b.get("/plan?" + q.Encode())
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	body := plainSpaces(w.Body.String())
	assert.Equal(t, 2, strings.Count(body, "slide it onto the stone"), "two loaves, one at a time")
	for _, want := range []string{"with the stone on a low rack", "Steam scalds", `<option value="stone" selected>`, `name="at_once" value="1"`} {
		assert.Contains(t, body, want)
	}
	q.Set("at_once", "-1")
	assert.Equal(t, http.StatusConflict, b.get("/plan?"+q.Encode()).Code)
	q.Set("at_once", "1")
	q.Set("bake_in", "pan")
	assert.Equal(t, http.StatusConflict, b.get("/plan?"+q.Encode()).Code)
	assert.Contains(t, plainSpaces(b.get("/recipe?vessel=tub&at_once=1").Body.String()), "times the oven is loaded: 2")
}

// TestAStarterIsFedForATime: the page lists the feedings that peak when somebody is there,
// after a month in the cold with its refreshes.
func TestAStarterIsFedForATime(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	b := newBrowser(t, s)
	assert.Contains(t, b.get("/?vessel=jar").Body.String(), `<a href="/plan#starter">Feed the starter for a time</a>`)
	q := url.Values{"peak": {"2026-03-16T07:00"}, "air": {"20"}, "cold": {"0"}}
	w := b.get("/plan?" + q.Encode())
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	assert.Contains(t, plainSpaces(w.Body.String()), "1 : 5 : 5: 18 g of starter")
	q.Set("cold", "30")
	q.Set("peak", "2026-03-15T16:00")
	assert.Equal(t, http.StatusConflict, b.get("/plan?"+q.Encode()).Code, "two refreshes take longer")
	q.Set("peak", "2026-03-17T07:00")
	assert.Contains(t, plainSpaces(b.get("/plan?"+q.Encode()).Body.String()), "refresh it, 1 : 2 : 2")
}
