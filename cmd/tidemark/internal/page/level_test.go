package page

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/web"
)

// rimSeen is a remark as the survey of a sensor makes them.
const rimSeen = "the sensor reads 150 mm, but the vessel alone is 200 mm deep: it sees the rim <or> something in the vessel, not the floor"

// scale is a Leveller of invented measurements, so that a browser need not hold still for
// ten seconds: a tub 180 mm wide whose floor is 238.4 mm from the sensor. That the App
// measures is tested there.
type scale struct {
	live    web.Live
	mu      sync.Mutex
	remarks []string
	empty   bool
	pours   []web.LevelPoint
	written []string
}

// inventedL is the volume of the tub up to a height in mm.
func inventedL(mm float64) float64 { return mm * math.Pi * 90 * 90 / 1e6 }

func (s *scale) Level(vessel string) (web.Level, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := web.Level{Sensor: "vl53l1x 0x29", Seconds: 10, FloorMM: 240, TopMM: 200, Old: []web.LevelPoint{{}, {VolumeL: inventedL(200), HeightMM: 200}}}
	for _, v := range s.live.Snapshot().Vessels {
		if v.Vessel == vessel && v.RiseID != 0 {
			l.Blocked = "A rise is being watched in " + vessel + ". Measure between two rises, with the vessel empty."
		}
	}
	if !s.empty {
		return l, nil
	}
	l.Empty = &web.LevelReading{MM: 238.4, SpreadMM: 0.8, SDMM: 0.3, Usable: 10, Missed: 1}
	l.Remarks, l.Pours = s.remarks, s.pours
	after := []string{"measured:", "- vessel: " + vessel, "  floor_mm: 238.4"}
	if len(s.pours) > 0 {
		l.Profile = append([]web.LevelPoint{{}}, s.pours...)
		after = append(after, fmt.Sprintf("  profile: %d points", len(l.Profile)))
	}
	l.Change = &web.LevelChange{ID: fmt.Sprintf("change-%d", len(s.pours)), File: "/var/lib/tidemark/measured.yaml",
		Backup: "measured.yaml.before-20260314-172000", Before: []string{"measured: []"}, After: after}
	return l, nil
}

func (s *scale) LevelEmpty(_ context.Context, vessel string) error {
	l, err := s.Level(vessel)
	if err == nil && l.Blocked != "" {
		err = web.Refusal{Why: l.Blocked}
	}
	if err == nil {
		s.empty, s.pours = true, nil
	}
	return err
}

func (s *scale) LevelPour(_ context.Context, _ string, totalL float64) error {
	if !s.empty {
		return web.Refusal{Why: "The empty vessel was not measured yet; do that first."}
	}
	s.pours = append(s.pours, web.LevelPoint{VolumeL: totalL, HeightMM: totalL / inventedL(1)})
	return nil
}

func (s *scale) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	l, err := s.Level(vessel)
	if err != nil || l.Change == nil || l.Change.ID != change {
		return "", web.Refusal{Why: "That is not what was shown last; look at the change again."}
	}
	s.written = append(s.written, change)
	return "Written and in force: floor 238.4 mm.", s.LevelEnd(vessel)
}

func (s *scale) LevelEnd(string) error {
	s.empty, s.pours = false, nil
	return nil
}

// measuring is a server whose vessels can be measured.
func measuring(t testing.TB) (*web.Server, *kitchen, *scale) {
	t.Helper()
	var sc *scale
	s, k := newServer(t, func(o *web.Options) {
		sc = &scale{live: o.Live, remarks: []string{rimSeen}}
		o.Level = sc
	})
	return s, k, sc
}

// TestMeasuringWithoutScripts walks through the page as a browser without scripts
// would: empty, two levels, a look at the change, and written.
func TestMeasuringWithoutScripts(t *testing.T) {
	t.Parallel()
	s, _, sc := measuring(t)
	b := newBrowser(t, s)
	const path = "/vessels/basket/level"
	body := b.get(path).Body.String()
	assert.Contains(t, body, "Read by vl53l1x 0x29. In force: floor 240.0 mm from the sensor, rim 200 mm above the floor.")
	assert.Contains(t, body, "hold still for 10 seconds")
	assert.NotContains(t, body, `value="pour"`, "nothing is poured before the floor is known")
	assert.NotContains(t, body, "style=")
	step := func(form url.Values, want string) string {
		t.Helper()
		w := b.post(path, form)
		require.Equal(t, 303, w.Code, w.Body.String())
		require.Equal(t, path, w.Header().Get("Location"))
		body := b.get(path).Body.String()
		assert.Contains(t, body, want)
		return body
	}
	body = step(url.Values{"step": {"empty"}}, "The floor is 238.4 mm away.")
	assert.Contains(t, body, "10 readings, 1 missed; spread of one 0.8 mm; known to 0.6 mm.")
	assert.Contains(t, body, "<strong>Look here:</strong> the sensor reads 150 mm, but the vessel alone is 200 mm deep: it sees the rim &lt;or&gt;")
	assert.NotContains(t, body, "<svg", "no picture of nothing")
	step(url.Values{"step": {"pour"}, "litres": {"1,2"}}, "<th scope=\"row\">1.2 L</th><td>47.2 mm</td>")
	body = step(url.Values{"step": {"pour"}, "litres": {"2.4"}}, "(so far 2.4)")
	for _, part := range []string{"/var/lib/tidemark/measured.yaml", "measured.yaml.before-20260314-172000", "- measured: []\n", "+   profile: 3 points"} {
		assert.Contains(t, body, part)
	}
	w := b.post(path, url.Values{"step": {"write"}, "change": {"change-1"}})
	assert.Equal(t, 409, w.Code, "another change than the one shown last")
	assert.Contains(t, w.Body.String(), "That is not what was shown last")
	assert.Contains(t, w.Body.String(), "The floor is 238.4", "the page goes on from where it was")
	assert.Empty(t, sc.written)
	body = step(url.Values{"step": {"write"}, "change": {"change-2"}}, "Written and in force: floor 238.4 mm.")
	assert.NotContains(t, body, "The floor is 238.4")
	assert.Equal(t, []string{"change-2"}, sc.written)
	step(url.Values{"step": {"empty"}}, "Measured.")
	step(url.Values{"step": {"forget"}}, "Forgotten; nothing was changed.")
}

// TestMeasuringIsRefused has a row for every reason.
func TestMeasuringIsRefused(t *testing.T) {
	t.Parallel()
	s, _, sc := measuring(t)
	b := newBrowser(t, s)
	for _, c := range []struct {
		path string
		form url.Values
		code int
		want string
	}{
		{"/vessels/tub/level", url.Values{"step": {"empty"}}, 409, "A rise is being watched in tub."},
		{"/vessels/basket/level", url.Values{"step": {"pour"}, "litres": {"1"}}, 409, "The empty vessel was not measured yet"},
		{"/vessels/basket/level", url.Values{"step": {"pour"}, "litres": {"some"}}, 409, `&#34;some&#34; is not a number`},
		{"/vessels/basket/level", url.Values{"step": {"write"}}, 409, "That is not what was shown last"},
		{"/vessels/basket/level", url.Values{"step": {"boil"}}, 409, "The form could not be read"},
		{"/vessels/bathtub/level", url.Values{"step": {"empty"}}, 404, "No such vessel"},
	} {
		w := b.post(c.path, c.form)
		assert.Equal(t, c.code, w.Code, "%v", c)
		assert.Contains(t, w.Body.String(), c.want)
	}
	assert.Contains(t, b.get("/vessels/tub/level").Body.String(), "End this rise", "the way out is offered")
	r := request("POST", "/vessels/basket/level", url.Values{"step": {"empty"}})
	r.Header.Set("Origin", "http://evil.example")
	assert.Equal(t, 403, do(s, r).Code, "from another site")
	assert.Equal(t, 404, b.get("/vessels/bathtub/level").Code)
	assert.Empty(t, sc.written)

	bare, _ := idle(t, nil)
	assert.Equal(t, 404, do(bare, request("GET", "/vessels/basket/level", nil)).Code)
	assert.NotContains(t, do(bare, request("GET", "/", nil)).Body.String(), "/level")
}

// TestMeasuringNeedsASession: looking may be open, measuring never is.
func TestMeasuringNeedsASession(t *testing.T) {
	t.Parallel()
	_, k, _ := measuring(t)
	lock(t, k)
	s := k.server(func(o *web.Options) { o.Level, o.OpenReading = &scale{live: o.Live}, true })
	body := do(s, request("GET", "/vessels/basket/level", nil)).Body.String()
	assert.Contains(t, body, "Unlock</a> with the household passphrase to measure")
	assert.NotContains(t, body, "<button")
	b := newBrowser(t, s)
	assert.Equal(t, 401, b.post("/vessels/basket/level", url.Values{"step": {"empty"}}).Code)
	b.unlock(phrase)
	assert.Equal(t, 303, b.post("/vessels/basket/level", url.Values{"step": {"empty"}}).Code)
}

// TestBrowserMeasures measures a vessel in a real browser, on every screen and at
// 320 pixels, there by keyboard alone.
func TestBrowserMeasures(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for _, sc := range append(screens(), screen{320, 640, "light"}) {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, _, measured := measuring(t)
			b := open(t, browser, sc)
			press := b.click
			if sc.w == 320 {
				press = b.enter
			}
			look := func(what string) {
				b.look("level-"+what+"-"+sc.String(), sc.w, what)
			}
			b.run(chromedp.Navigate(serve(t, s) + "/vessels/basket/level"))
			b.waitText("main", "Empty vessel")
			look("begin")
			press("main .steps button")
			b.waitText("main", "The floor is 238.4 mm away.")
			look("empty")
			for i, total := range []string{"1", "2", "3.5"} {
				b.run(chromedp.SendKeys(chromedp.CSS("input[name=litres]"), total))
				press("form:has(input[name=litres]) button")
				b.wait(fmt.Sprintf("document.querySelectorAll('main table tbody tr').length === %d", i+1))
			}
			b.waitText("main", "profile: 4 points")
			look("poured")
			press("form:has([value=write]) button")
			b.waitText("#said", "Written and in force")
			assert.Equal(t, []string{"change-3"}, measured.written)
			b.run(chromedp.Navigate(strings.TrimSuffix(js[string](b, "location.href"), "basket/level") + "tub/level"))
			b.waitText("main", "A rise is being watched in tub.")
			look("blocked")
			press("form:has([value=end]) button")
			b.waitText("#said", "Emptied: noted")
			b.waitText("main", "Measure the empty vessel")
		})
	}
}

// enter walks to an element with the tabulator key and presses Enter.
func (b *tab) enter(sel string) {
	b.t.Helper()
	for range 40 {
		b.run(chromedp.KeyEvent(kb.Tab))
		if js[bool](b, fmt.Sprintf("document.activeElement === document.querySelector(%q)", sel)) {
			b.run(chromedp.KeyEvent(kb.Enter))
			return
		}
	}
	require.Fail(b.t, "the keyboard does not reach "+sel)
}
