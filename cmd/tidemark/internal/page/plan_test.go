package page

import (
	"encoding/json"
	"fmt"
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

// TestPlanOnTheAPIIsTheSame compares a way of the API with the page.
func TestPlanOnTheAPIIsTheSame(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, apiRequest("GET", "/api/v1/plan?air_c=22&warm_c=26&vessel=basket&ready=2026-03-16T13:00:00%2B01:00", ""))
	require.Equal(t, 200, w.Code, w.Body.String())
	var plan struct {
		Ways []struct {
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
