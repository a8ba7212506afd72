package page

import (
	"encoding/json"
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
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

// aDay bakes the dough of the kitchen from its start to the cut loaf and its judgement,
// and shows each stage.
func aDay(t *testing.T, household string, show func(stage string, s *web.Server)) {
	t.Helper()
	k := openKitchen(t, household, true, 0)
	s := k.server(nil)
	show("nothing", s)
	k.tell("jar", bake.EventFed)
	k.tell("tub", bake.EventStart)
	for _, x := range []struct {
		stage string
		due   string // until which step, or for how long
		tell  bake.EventKind
		step  string
	}{
		{"just filled", "10m", "", ""},
		{"the first fold", "fold-1", bake.EventFold, ""},
		{"rising", "4h", bake.EventFridge, ""},
		{"in the fridge", "5m", bake.EventCounter, ""},
		{"near its mark", "70m", "", ""},
		{"at its mark", bake.ShapeID, bake.EventShaped, ""},
		{"proving", bake.OvenCheckID, bake.EventDone, bake.OvenCheckID},
		{"preheating", bake.PreheatID, bake.EventDone, bake.PreheatID},
		{"for the oven", bake.BakeID, bake.EventDone, bake.BakeID},
		{"in the oven", bake.UncoverID, bake.EventDone, bake.UncoverID},
		{"nearly baked", bake.OutID, bake.EventBaked, ""},
		{"cooling", "10m", "", ""},
		{"cool", bake.SliceID, bake.EventDone, bake.SliceID},
		{"cut", "1m", "", ""},
	} {
		if d, err := time.ParseDuration(x.due); err == nil {
			k.pass(d)
		} else {
			k.passUntil(func(s bake.State) bool { return s.Now.StepID == x.due && s.Now.Tap != "" })
		}
		show(x.stage, s)
		if x.tell != "" {
			k.tell("tub", x.tell, bake.Detail{StepID: x.step, Answer: "no"})
		}
	}
}

// TestNoForeignUnitsOnThePage: in a household of degrees Fahrenheit and 12 hours no
// page, part of a page or text of the API speaks of Celsius or 24 hours, and in no
// household does a unit lack its sign.
func TestNoForeignUnitsOnThePage(t *testing.T) {
	t.Parallel()
	look := func(stage string, s *web.Server) {
		b := newBrowser(t, s)
		for _, path := range []string{"/?vessel=tub", "/?vessel=jar", "/kitchen", "/house", "/plan", "/plan?ready=2026-03-15T13:00&air=72&fridge=yes&ripe=2026-03-15T05:00&out=2026-03-15T02:00"} {
			w := b.get(path)
			if w.Code != 200 && strings.Contains(path, "ready") {
				continue // too late for it
			}
			require.Equal(t, 200, w.Code, path)
			text := html.UnescapeString(tags.ReplaceAllString(w.Body.String(), " "))
			assert.Empty(t, foreign(text), "%s: %s", stage, path)
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
			assert.Empty(t, foreign(st.Do+" "+st.Caution+" "+st.Why), stage)
		}
	}
	aDay(t, americans, look)
	s, _ := newServerOf(t, americans, func(o *web.Options) { o.Live = edited{o.Live, bread} })
	look("a loaf that cools and a starter that is weak", s)
	aDay(t, berliners, func(stage string, s *web.Server) {
		text := html.UnescapeString(tags.ReplaceAllString(newBrowser(t, s).get("/?vessel=tub").Body.String(), " "))
		assert.Empty(t, bareUnit.FindAllString(text, -1), stage)
		assert.Empty(t, moments.FindAllString(text, -1), stage)
	})
}
