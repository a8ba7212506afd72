package page

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// TestAWholeBakeByTaps goes in a browser on a phone from feeding the starter to the
// judged loaf, one tap for each thing to do, and none of them below the first screen.
// With TIDEMARK_SHOTS it keeps a picture of each state.
func TestAWholeBakeByTaps(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	k := openKitchen(t, berliners, true, 0)
	address := serve(t, k.server(nil))
	phone := screen{360, 740, "light"}
	tabs := map[screen]*tab{phone: open(t, browser, phone)}
	if os.Getenv("TIDEMARK_SHOTS") != "" {
		for _, s := range []screen{{360, 740, "dark"}, {1280, 800, "light"}} {
			tabs[s] = open(t, browser, s)
		}
	}
	n := 0
	seen := func(vessel string) {
		n++
		for s, b := range tabs {
			b.run(chromedp.Navigate(address + "/?vessel=" + vessel))
			b.wait("document.fonts.status === 'loaded' && !!document.querySelector('.first')")
			b.keep(fmt.Sprintf("%02d-%s-%s", n, k.app.State(vessel).Status, s))
		}
	}
	b, taps := tabs[phone], []string{}
	tap := func(sel string) {
		b.wait(fmt.Sprintf("!!document.querySelector(%q)", sel), k.app.State("tub").Now)
		name := js[string](b, fmt.Sprintf("document.querySelector(%q).innerText", sel))
		bottom := js[float64](b, fmt.Sprintf("document.querySelector(%q).getBoundingClientRect().bottom", sel))
		assert.LessOrEqual(t, bottom, 740.0, "%s is below the first screen", name)
		b.pause()
		b.click(sel)
		b.wait("document.getElementById('said').innerText !== ''", name)
		taps = append(taps, name)
	}
	seen("jar")
	tap("[data-key=main]")
	seen("jar")
	begun := k.clock.Now()
	for i := 0; i < 40; i++ {
		s := k.app.State("tub")
		if s.Now.Tap == bake.EventStart && len(taps) > 5 {
			break // judged
		}
		if s.Now.Tap == "" {
			seen("tub")
			k.passUntil(func(s bake.State) bool { return s.Now.Tap != "" })
		}
		seen("tub")
		sel := "[data-key=main]"
		if k.app.State("tub").Now.Key == bake.TodoJudge {
			sel = "[data-key=right]"
		}
		tap(sel)
	}
	t.Logf("%d taps from %s to %s: %q", len(taps), begun.Format("15:04"), k.clock.Now().Format("15:04"), taps)
	require.Contains(t, k.told("tub"), string(bake.EventJudged), "the loaf is judged: %s", k.told("tub"))
	events := len(k.app.State("tub").Events)
	assert.LessOrEqual(t, len(taps), events+1, "at most one tap for what happened")
}

// keep keeps a picture of the first screen when TIDEMARK_SHOTS names a folder.
func (b *tab) keep(name string) {
	b.t.Helper()
	dir := os.Getenv("TIDEMARK_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
	require.NoError(b.t, err)
	require.NoError(b.t, os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644))
}

// TestTheEveningsTap: what is to be done before bedtime is on the first screen of a phone,
// with its button, and so is what is asked back.
func TestTheEveningsTap(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	k := openKitchen(t, berliners, true, 5*time.Hour+30*time.Minute)
	k.start = k.clock.Now() // the dough comes into the tub at half past five
	address := serve(t, k.server(nil))
	for _, s := range []screen{{360, 740, "light"}, {360, 740, "dark"}, {1280, 800, "light"}} {
		b := open(t, browser, s)
		if k.app.State("tub").RiseID == 0 {
			k.tell("tub", bake.EventStart)
			k.passUntil(func(s bake.State) bool { return s.Now.Tap == bake.EventFold })
			for s := k.app.State("tub"); s.Now.Key != bake.TodoInTime && k.clock.Now().Before(k.start.Add(6*time.Hour)); s = k.app.State("tub") {
				if s.Now.Tap != "" {
					k.tell("tub", s.Now.Tap, bake.Detail{StepID: s.Now.StepID})
				}
				k.pass(4 * time.Minute)
			}
			require.Equal(t, bake.TodoInTime, k.app.State("tub").Now.Key)
		}
		b.run(chromedp.Navigate(address + "/?vessel=tub"))
		b.waitText("#v0-glance", "while you sleep")
		assert.LessOrEqual(t, js[float64](b, "document.querySelector('[data-key=main]').getBoundingClientRect().bottom"), float64(s.h))
		b.keep("in-time-" + s.String())
		b.run(chromedp.Evaluate[chromedp.Void]("document.querySelector('.else details').open = true; undefined"))
		b.keep("hour-more-" + s.String())
	}
	b := open(t, browser, screen{360, 740, "light"})
	b.run(chromedp.Navigate(address + "/?vessel=tub"))
	b.run(chromedp.Evaluate[chromedp.Void]("[...document.querySelectorAll('.else details')].forEach((d) => { d.open = true; }); undefined"))
	b.pause()
	b.click("[data-key=else-baked]")
	b.waitText("#said", "You have not shaped it yet. Shaped at?")
	b.keep("asked-back-360x740-light")
	b.click("#said button")
	b.waitText("#said", "It is not in the oven yet. Into the oven at?")
	b.click("#said button")
	b.waitText("#said", "Out of the oven: noted")
	b.forgive("409")
	assert.Contains(t, k.told("tub"), "shaped begun baked")
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
