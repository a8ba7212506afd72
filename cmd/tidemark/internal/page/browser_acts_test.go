package page

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/deploy/outsidetest"
	"tidemark/history"
)

// fitsWidth checks that the page does not scroll sideways.
func (b *tab) fitsWidth(width int64, page string) {
	b.t.Helper()
	assert.LessOrEqual(b.t, js[int64](b, "document.documentElement.scrollWidth"), width, "%s scrolls sideways", page)
}

// accessible runs axe-core over the page when TIDEMARK_AXE names its folder.
func (b *tab) accessible(page string) {
	b.t.Helper()
	dir := os.Getenv("TIDEMARK_AXE")
	if dir == "" {
		if outsidetest.CI() {
			b.t.Error("TIDEMARK_AXE must name the folder with axe.min.js in CI")
		}
		return
	}
	src, err := os.ReadFile(filepath.Join(dir, "axe.min.js"))
	require.NoError(b.t, err, "TIDEMARK_AXE must name the folder with axe.min.js")
	b.run(chromedp.Evaluate[chromedp.Void](string(src)+"; undefined", chromedp.EvalIgnoreExceptions))
	run := `axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r =>
		r.violations.map(v => v.id + ": " + v.nodes.map(n => n.target.join(" ") + " " + n.failureSummary).join(" | ")))`
	got, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]string](run, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err)
	assert.Empty(b.t, got, page)
}

// look keeps a picture of the page, which has to fit the screen and be accessible.
func (b *tab) look(name string, width int64, page string) {
	b.t.Helper()
	b.shot(name)
	b.fitsWidth(width, page)
	b.accessible(page)
}

// saysAfter presses an element and waits for the answer.
func (b *tab) saysAfter(sel, want string) {
	b.t.Helper()
	b.run(chromedp.Evaluate[chromedp.Void]("document.getElementById('said').textContent = ''; undefined"))
	b.click(sel)
	b.waitText("#said", want)
}

// opened opens the details of a vessel that hold an element.
func (b *tab) opened(sel string) {
	b.t.Helper()
	b.wait(fmt.Sprintf("document.querySelector(%q) !== null", sel)) // a part waits while a button in it is held down
	b.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf("document.querySelector(%q).closest('details').open = true; undefined", sel)))
}

// typed writes into a field.
func (b *tab) typed(sel, text string) {
	b.t.Helper()
	b.run(chromedp.SetValue(chromedp.CSS(sel), text))
}

// TestBrowserDay tells a day's bake in a real browser, on every screen, and sees the page
// follow.
func TestBrowserDay(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for _, sc := range screens() {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, k := newServer(t, nil)
			b := open(t, browser, sc)
			base := serve(t, s)
			visit := func(vessel, want string) {
				b.run(chromedp.Navigate(base + "/?vessel=" + vessel))
				b.waitText("main", want)
				b.look(vessel+"-"+sc.String(), sc.w, vessel)
			}
			visit("tub", "Doubled about")
			dough(b)
			visit("jar", "Cannot see it since")
			lost := k.app.Snapshot().Vessels[1].Alarms[0].ID
			b.opened(`#v1-more [data-key="ack-` + lost + `"]`)
			b.saysAfter(`#v1-more [data-key="ack-`+lost+`"]`, "you saw it")
			b.opened(`#v1-else [data-key="else-fed"]`)
			b.saysAfter(`#v1-else [data-key="else-fed"]`, "Fed: noted")
			visit("basket", "Nothing rising")
			b.saysAfter("#v2-glance [data-key=main]", "The dough is in: noted")
			b.waitText("#v2-glance", "cannot be told yet")
			b.opened(`#v2-else [data-key="else-end"]`)
			b.pause()
			b.saysAfter(`#v2-else [data-key="else-end"]`, "Emptied: noted")
			b.waitText("#v2-glance", "Nothing rising")
			visit("tub", "At 80 % about")
			toTheTable(b, k)
			b.run(chromedp.Navigate(base + "/kitchen"))
			b.waitText("#kitchen", "Saturday wheat")
			b.look("kitchen-"+sc.String(), sc.w, "the kitchen view")
			assert.Equal(t, "fridge counter target note skip shaped step", k.told("tub"))
			assert.Equal(t, "fed", k.told("jar"))
		})
	}
}

// dough tells what may happen to dough that rises.
func dough(b *tab) {
	b.opened(`#v0-else [data-key="else-fold"]`)
	b.saysAfter(`#v0-else [data-key="else-fold"]`, "Folded: noted")
	b.waitText("#said", "10 min earlier")
	b.wait("document.querySelectorAll('#v0-told li').length === 2", "the fold is listed")
	b.click("#said button")
	b.waitText("#said", "Undone.")
	b.wait("document.querySelectorAll('#v0-told li').length === 1", "the fold is gone")
	b.saysAfter(`#v0-else [data-key="else-fridge"]`, "Into the fridge: noted")
	b.waitText("#v0-glance", "In the fridge.")
	b.pause()
	b.saysAfter(`#v0-else [data-key="else-counter"]`, "Out of the fridge: noted")
	b.waitText("#v0-glance", "more an hour")
	b.typed("#v0-else [name=target]", "80")
	b.saysAfter("#v0-else [data-key=target]", "The target is now 80 %.")
	b.waitText("#v0-glance", "At 80 % about")
	b.typed("#v0-else [name=note]", "sticky <today>")
	b.saysAfter("#v0-else [data-key=note]", "Kept.")
	b.opened("#v0-told li")
	b.waitText("#v0-told", "Note: sticky <today>")
}

// toTheTable lets the dough get to its mark and be shaped, and the oven be looked into.
func toTheTable(b *tab, k *kitchen) {
	k.hot = 33
	for range 4 {
		k.pass(10 * time.Minute)
	}
	b.wait(`document.querySelector('#v0-glance [data-key^="moved-"]') !== null`, "it is told that the dough is hot")
	b.pause()
	b.saysAfter(`#v0-glance [data-key^="moved-"]`, "Reminds again in 60 min")
	b.wait(`document.querySelector('#v0-glance [data-key^="moved-"]') === null`)
	b.waitText("#v0-glance", "Shape it")
	b.wait("document.querySelector('#v0-glance [data-key=main]').getBoundingClientRect().bottom <= innerHeight", "the button is on the first screen")
	b.shot("due-" + fmt.Sprint(js[int64](b, "innerWidth")))
	b.opened("#v0-steps [data-key=skip-preheat]")
	b.saysAfter("#v0-steps [data-key=skip-preheat]", "Left out.")
	b.pause()
	b.saysAfter("#v0-glance [data-key=main]", "Shaped: noted")
	k.passUntil(func(s bake.State) bool { return s.Now.Tap != "" })
	b.waitText("#v0-glance", "The oven is empty")
	b.pause()
	b.saysAfter("#v0-glance [data-key=main]", "The oven is empty: noted")
}

// pause waits until the page takes taps on buttons that have just changed.
func (b *tab) pause() {
	b.t.Helper()
	b.wait("(window.began ??= performance.now(), performance.now() - window.began > 450) && (delete window.began, true)")
}

// TestBrowserLive sees the sentence, the curve and a lost link on the page.
func TestBrowserLive(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	for _, sc := range screens() {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, k := newServer(t, nil)
			b := open(t, browser, sc)
			cut := make(chan struct{})
			down := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				select {
				case <-cut:
					panic(http.ErrAbortHandler)
				default:
					s.ServeHTTP(w, r)
				}
			})
			b.run(chromedp.Navigate(serve(t, down) + "/?vessel=tub"))
			level := func() string { return fmt.Sprintf("At %.0f %% now", k.app.State("tub").Estimate.RisePercent) }
			b.waitText("#v0-glance", level())
			k.pass(40 * time.Minute)
			b.waitText("#v0-glance", level())
			b.wait("document.querySelector('#v0-chart').textContent.includes('18:00')", "the curve followed")
			readOut(b)
			k.pass(5 * time.Minute)
			b.waitText("#v0-glance", level())
			close(cut)
			require.NoError(t, s.Close())
			b.waitText("#lost", "No word from tidemark since 18:05")
			b.shot("lost-" + sc.String())
			b.forgive("net::ERR_")
			b.forgive("Failed to load resource")
		})
	}
}

// readOut points at the curve and reads.
func readOut(b *tab) {
	at := js[[]float64](b, `(() => { const s = [...document.querySelectorAll('#v0-chart svg')].find(e => e.getClientRects().length);
		s.scrollIntoView({block: "center"}); const r = s.getBoundingClientRect(); return [r.left + r.width * 0.5, r.top + r.height * 0.5]; })()`)
	b.run(chromedp.MouseEvent(chromedp.MouseMoved, at[0], at[1]))
	b.wait(`/^\d\d:\d\d: \d+ %, dough [\d.]+ °C$/.test(document.querySelector('#v0-readout').innerText)`, "no read-out")
}

// TestBrowserPast walks the pages of the past.
func TestBrowserPast(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	photo := filepath.Join(t.TempDir(), "loaf.jpg")
	require.NoError(t, os.WriteFile(photo, picture(t, 2000, 1500, 1), 0o600))
	for _, sc := range screens() {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, k := idle(t, nil)
			store, ids := k.store, fill(t, k.store, 24, 200)
			base := serve(t, s)
			b := open(t, browser, sc)
			look := func(path, want, name string) {
				b.run(chromedp.Navigate(base + path))
				b.waitText("main", want)
				b.look(name+"-"+sc.String(), sc.w, path)
			}
			look("/rises", "What differed between judged loaves", "rises")
			b.click("summary")
			b.typed("input[name=q]", "sticky")
			b.click(".search button")
			b.wait("document.querySelectorAll('.rises li').length === 6", "six rises are called sticky")
			look("/rises", "What differed between judged loaves", "rises")
			b.click(fmt.Sprintf("#rise-%d", ids[23]))
			b.click(fmt.Sprintf("#rise-%d", ids[21]))
			b.click("button[value=equivalent]")
			b.waitText("h1", "Rises compared: 2")
			b.waitText("main", "What differed")
			look(fmt.Sprintf("/compare?id=%d&id=%d&id=%d&id=%d", ids[23], ids[21], ids[20], ids[18]), "What differed", "compare")
			look(fmt.Sprintf("/rises/%d", ids[23]), "Take away", "rise")
			judgeInBrowser(b, store, ids[23], photo)
			b.shot("judged-" + sc.String())
			look("/house", "Tokens for programs", "house")
		})
	}
}

func judgeInBrowser(b *tab, store *history.Store, id int64, photo string) {
	b.click("input[name=outcome][value=over]")
	b.typed("input[name=oven_spring]", "little")
	b.typed("textarea[name=note]", "left it too long")
	b.click(`form[action$="/judgement"] button`)
	b.waitText("#said", "that is kept with the curve")
	r, err := store.Rise(context.Background(), id)
	require.NoError(b.t, err)
	assert.Equal(b.t, "over/little/left it too long", r.Outcome+"/"+r.OvenSpring+"/"+r.Note)
	b.click(`form[action$="/judgement/undo"] button`)
	b.waitText("#said", "Undone.")
	r, err = store.Rise(context.Background(), id)
	require.NoError(b.t, err)
	assert.NotEqual(b.t, "left it too long", r.Note)
	b.run(chromedp.SetUploadFiles(chromedp.CSS("input[type=file]"), []string{photo}))
	b.click(`form[action*="/photos"] button`)
	b.wait("document.querySelector('.photos img') !== null", "the photo is listed")
	b.run(chromedp.ScrollIntoView(chromedp.CSS(".photos img")))
	b.wait("(i => i && i.complete && i.naturalWidth === 1600)(document.querySelector('.photos img'))", "the photo is shown, made smaller")
	photos, err := store.Photos(context.Background(), id)
	require.NoError(b.t, err)
	require.Len(b.t, photos, 1)
	b.click(".photos button")
	b.wait("document.querySelector('.photos') === null", "the photo is gone")
}

// TestBrowserRestore restores a backup and brings a record in, on every screen.
func TestBrowserRestore(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	dir := t.TempDir()
	backup, record := filepath.Join(dir, "last-week.db"), filepath.Join(dir, "rise.csv")
	require.NoError(t, os.WriteFile(backup, backupOf(t, 5), 0o600))
	require.NoError(t, os.WriteFile(record, aRecord(t), 0o600))
	for _, sc := range screens() {
		t.Run(sc.String(), func(t *testing.T) {
			t.Parallel()
			s, u := withUpkeep(t, nil)
			base := serve(t, s)
			b := open(t, browser, sc)
			b.run(chromedp.Navigate(base + "/unlock?to=/house"))
			b.typed("input[name=passphrase]", phrase)
			b.click("main button")
			b.waitText("main", "Bring in a record")
			b.look("house-open-"+sc.String(), sc.w, "the house")
			b.run(chromedp.SetUploadFiles(chromedp.CSS("input[name=backup]"), []string{backup}))
			b.click(`form[action^="/house/restores"] button`)
			b.waitText("main", "This backup is sound: last-week.db")
			b.look("restore-"+sc.String(), sc.w, "the question")
			b.click("form:has([value=take]) button")
			b.waitText("#said", "has taken the place of the history")
			assertRises(t, u.store, 7)
			b.run(chromedp.Navigate(base + "/house"))
			b.run(chromedp.SetUploadFiles(chromedp.CSS("input[name=record]"), []string{record}))
			b.typed("input[name=vessel]", "tub")
			b.click(`form[action^="/house/records"] button`)
			b.waitText("#said", "Kept as a past rise.")
			assertRises(t, u.store, 8)
		})
	}
}
