package page

import (
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

const monday = "/plan?ready=2026-03-16T13:00&air=22&warm=26&fridge=yes&vessel=basket&way=overnight"

func TestPlanFormIsFilledIn(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := newBrowser(t, s).get("/plan?vessel=basket")
	require.Equal(t, 200, w.Code)
	body := w.Body.String()
	assert.Contains(t, body, `name="ready" type="datetime-local" required value="2026-03-15T13:00"`)
	assert.Contains(t, body, `Kitchen, °C, as measured`)
	assert.Contains(t, body, `value="21.5"`)
	assert.Contains(t, body, `<option selected>basket</option>`)
	assert.NotContains(t, body, "The ways side by side", "nothing was asked yet")
	house := newBrowser(t, s).get("/house").Body.String()
	assert.Contains(t, house, `<a href="/plan">Plan a bake</a>`)
	assert.Contains(t, newBrowser(t, s).get("/?vessel=basket").Body.String(), `<a href="/plan?vessel=basket">Plan a bake</a>`)
}

func TestPlanShowsTimetableAndWays(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := newBrowser(t, s).get(monday)
	require.Equal(t, 200, w.Code)
	body := w.Body.String()
	for _, want := range []string{
		"Overnight in the refrigerator", ">Same day<", "Same day, in the warmer spot", "Half the levain, overnight in the refrigerator",
		"Less levain, the night on the counter", `<p class="word">Bread about</p>`, "Between Mon ", "Sun 15 Mar 2026", "Mon 16 Mar 2026",
		"Too early, watched", "Too late, by the clock", "Worked from published values", "Follow this plan in basket",
		"<strong>Caution:</strong> Raw flour may carry germs",
	} {
		assert.Contains(t, body, want)
	}
	assert.NotContains(t, body, "style=")
	assert.NotRegexp(t, `<script(?: [^>]*)?>[^<]`, body, "no script stands in the page")
	other := regexp.MustCompile(`href="(/plan\?[^"]+)#way">Same day, in the warmer spot`).FindStringSubmatch(body)
	require.Len(t, other, 2)
	again := newBrowser(t, s).get(html.UnescapeString(other[1])).Body.String()
	assert.Contains(t, again, `<h2 id="way">Same day, in the warmer spot</h2>`)
}

// TestWhatIfTheRisingDoughStaysOut asks from the page of now, without a plan.
func TestWhatIfTheRisingDoughStaysOut(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	assert.Contains(t, b.get("/?vessel=tub").Body.String(), "What if it stays out until")
	assert.NotContains(t, b.get("/?vessel=jar").Body.String(), "What if it stays out until", "for dough alone")
	w := b.get("/plan?out=20:00")
	require.Equal(t, 200, w.Code)
	assert.Contains(t, w.Body.String(), "tub: At 20:00 it would be at about")
	assert.NotContains(t, w.Body.String(), "The ways side by side")
	assert.Equal(t, http.StatusConflict, b.get("/plan?out=x").Code)
	k.tell("tub", bake.EventEnd)
	assert.Contains(t, b.get("/plan?out=20:00").Body.String(), "No dough that rises now has a forecast yet")
}

func TestPlanInFahrenheit(t *testing.T) {
	t.Parallel()
	s, _ := newServerOf(t, strings.Replace(berliners, "Berlin}", "Berlin, temperature: fahrenheit}", 1), nil)
	b := newBrowser(t, s)
	assert.Contains(t, b.get("/plan").Body.String(), `value="70"`)
	warm := b.get("/plan?ready=2026-03-15T13:00&air=72&warm=79&vessel=basket").Body.String()
	assert.Contains(t, warm, "Same day, in the warmer spot")
	assert.Contains(t, b.get("/plan?ready=2026-03-15T13:00&air=22").Body.String(), "50 °F to 95 °F")
}

func TestPlanAsACalendar(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, request("GET", strings.Replace(monday, "/plan", "/plan.ics", 1), nil))
	require.Equal(t, 200, w.Code)
	assert.Equal(t, "text/calendar; charset=utf-8", w.Header().Get("Content-Type"))
	assert.Equal(t, `attachment; filename="tidemark-plan-2026-03-16.ics"`, w.Header().Get("Content-Disposition"))
	cal, err := ics.ParseCalendar(w.Body)
	require.NoError(t, err)
	assert.Greater(t, len(cal.Events()), 10)
}

// TestPlanIsFollowed takes a plan on from the page as a browser without scripts
// does, sees it on the page of now, and takes it back.
func TestPlanIsFollowed(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	form := formOf(t, b.get(monday).Body.String())
	w := b.post("/act", form)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	assert.Equal(t, "/?vessel=basket", w.Header().Get("Location"))
	e := k.last("basket")
	assert.Equal(t, bake.EventPlan, e.Kind)
	assert.Equal(t, "page", e.By)
	assert.Equal(t, "overnight", e.Plan.Way)
	page := b.get("/?vessel=basket").Body.String()
	assert.Contains(t, page, "The plan is followed from now on.")
	assert.Contains(t, page, `<p class="word">Bread about</p>`)
	assert.Contains(t, page, "bread wanted by Mon 13:00.")
	assert.Contains(t, page, ">The dough is in</button>")
	assert.Contains(t, b.get(monday).Body.String(), "It takes the place of the plan that basket follows now")
	undo := regexp.MustCompile(`name="undo" value="(\d+)"`).FindStringSubmatch(page)
	require.Len(t, undo, 2)
	b.post("/act", url.Values{"kind": {"undo"}, "vessel": {"basket"}, "undo": {undo[1]}})
	assert.False(t, strings.Contains(b.get("/?vessel=basket").Body.String(), "wanted by "), "the plan is gone")
}

// formOf are the fields of the form that takes the plan on.
func formOf(t *testing.T, page string) url.Values {
	t.Helper()
	_, rest, ok := strings.Cut(page, `<input type="hidden" name="kind" value="plan">`)
	require.True(t, ok, "the page offers no plan to follow")
	rest, _, _ = strings.Cut(rest, "</form>")
	out := url.Values{"kind": {"plan"}}
	for _, m := range regexp.MustCompile(`name="([a-z]+)" value="([^"]*)"`).FindAllStringSubmatch(rest, -1) {
		out.Set(m[1], html.UnescapeString(m[2]))
	}
	return out
}

func TestPlanThatIsTooOldIsRefused(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	form := formOf(t, b.get(monday).Body.String())
	k.clock.Set(k.clock.Now().Add(20 * time.Minute))
	assert.Contains(t, b.get("/plan?"+form.Encode()).Body.String(), url.QueryEscape(form.Get("asked")), "the ways shown stay those of the first question")
	k.clock.Set(k.clock.Now().Add(20 * time.Minute))
	w := b.post("/act", form)
	assert.Equal(t, http.StatusConflict, w.Code)
	assert.Contains(t, w.Body.String(), "These ways are more than")
	form.Del("way")
	form.Del("asked")
	assert.Equal(t, http.StatusConflict, b.post("/act", form).Code, "a plan without its way")
	assert.Empty(t, k.told("basket"))
}

// TestPlanOfARisingVesselIsShownOnly says why it cannot be followed.
func TestPlanOfARisingVesselIsShownOnly(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	body := newBrowser(t, s).get(strings.Replace(monday, "basket", "tub", 1)).Body.String()
	assert.Contains(t, body, "A rise is under way in tub, so it cannot follow this plan yet.")
	assert.NotContains(t, body, `value="plan"`)
}

// TestPlanNeedsASession reads while reading is open, and follows nothing.
func TestPlanNeedsASession(t *testing.T) {
	t.Parallel()
	s, k, _ := locked(t, true)
	b := newBrowser(t, s)
	body := b.get(monday).Body.String()
	assert.Contains(t, body, "with the household passphrase to follow this plan")
	assert.NotContains(t, body, `value="plan"`)
	w := b.post("/act", url.Values{"kind": {"plan"}, "vessel": {"basket"}, "ready": {"tomorrow 13:00"}, "air": {"22"}, "way": {"same day, in the room"}})
	assert.NotEqual(t, http.StatusOK, w.Code)
	closed, _, _ := locked(t, false)
	assert.Equal(t, http.StatusSeeOther, newBrowser(t, closed).get(monday).Code, "reading is closed: to the passphrase")
	assert.Empty(t, k.told("basket"))
}

// TestPlanOnTheAPIIsTheSame compares a way of the API with the page.
func TestPlanOnTheAPIIsTheSame(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, apiRequest("GET", "/api/v1/plan?air_c=22&warm_c=26&vessel=basket&ready=2026-03-16T13:00:00%2B01:00", ""))
	require.Equal(t, 200, w.Code, w.Body.String())
	var plan struct {
		Asked time.Time
		Ways  []struct {
			Name    string
			ReadyAt time.Time `json:"ready_at"`
			Steps   []struct{ ID string }
		}
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &plan))
	require.GreaterOrEqual(t, len(plan.Ways), 5)
	body := newBrowser(t, s).get(monday).Body.String()
	best := plan.Ways[0]
	for _, way := range plan.Ways {
		if way.Name == "overnight" {
			best = way
		}
	}
	assert.Contains(t, body, `<span class="day">Mon</span> `+best.ReadyAt.In(berlin(t)).Format("15:04"))
	assert.Contains(t, fmt.Sprint(best.Steps), bake.PreheatID)
	asked := plan.Asked.Add(-time.Hour).Format(time.RFC3339)
	w = do(s, apiRequest("POST", "/api/v1/vessels/basket/acts", `{"kind":"plan","plan":{"asked":"`+asked+`","ready":"2026-03-15T13:00:00Z","air_c":22,"way":"x"}}`))
	assert.Equal(t, 400, w.Code)
	assert.Contains(t, w.Body.String(), "These ways are more than")
}

// TestBrowserPlan plans, follows the plan and sees the next step, on every screen
// and on the narrowest one.
func TestBrowserPlan(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for _, sc := range append(screens(), screen{320, 568, "light"}) {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, k := newServer(t, nil)
			b := open(t, browser, sc)
			base := serve(t, s)
			b.run(chromedp.Navigate(base + "/house"))
			b.click(`main a[href="/plan"]`)
			b.waitText("main", "Bread ready at")
			b.shot("plan-form-" + sc.String())
			b.accessible("the form of the plan")
			b.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("select[name=vessel]").value = "basket"; undefined`))
			b.typed("input[name=warm]", "26")
			b.run(chromedp.Evaluate[chromedp.Void](`document.querySelector(".ask details").open = true; document.querySelector("input[name=ready]").value = "2026-03-16T13:00"; undefined`))
			b.click(".ask button")
			b.waitText("main", "The ways side by side")
			b.look("plan-"+sc.String(), sc.w, "the plan")
			byKeyboard(b)
			b.waitText("#said", "The plan is followed from now on.")
			b.waitText("main", "Wanted by Mon 13:00")
			b.waitText("#v2-glance", "Then: Feed the levain")
			b.look("plan-followed-"+sc.String(), sc.w, "the page of now with a plan")
			assert.Equal(t, "plan", k.told("basket"))
			b.run(chromedp.Navigate(base + "/?vessel=tub"))
			b.opened("#v0-else [name=out]")
			b.typed("#v0-else [name=out]", "20:00")
			b.click("#v0-else [data-key=out]")
			b.waitText("main", "tub: At 20:00 it would be at about")
			b.shot("plan-out-" + sc.String())
			b.fitsWidth(sc.w, "the answer alone")
			b.run(chromedp.Navigate(base + "/?vessel=basket"))
			b.waitText("#v2-glance", "Then: Feed the levain")
			k.pass(k.app.State("basket").Now.At.Sub(k.clock.Now()))
			b.wait(`document.querySelector("#v2-glance [data-key=main]") !== null`, "the step is due")
			b.pause()
			b.click("#v2-glance [data-key=main]")
			b.wait(`document.querySelector("#said").innerText !== ""`, "it is noted")
		})
	}
}

// byKeyboard goes to the button with the keyboard and presses it.
func byKeyboard(b *tab) {
	b.t.Helper()
	b.run(chromedp.Focus(chromedp.CSS(".planned [data-key=plan]")), chromedp.KeyEvent("\r"))
}
