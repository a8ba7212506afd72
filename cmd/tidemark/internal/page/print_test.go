package page

import (
	"bytes"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// sheets prints the page that is open on A4 and counts its sheets.
func (b *tab) sheets(name string) int {
	b.t.Helper()
	res, err := chromedp.Call(b.ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69}) // A4 in inches, ISO 216
	require.NoError(b.t, err)
	pdf := res.Data
	if dir := os.Getenv("TIDEMARK_SHOTS"); dir != "" {
		require.NoError(b.t, os.WriteFile(filepath.Join(dir, name+".pdf"), pdf, 0o644))
	}
	require.True(b.t, bytes.HasPrefix(pdf, []byte("%PDF")))
	return len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1))
}

// TestPrintedOnOneSheet: a plan, and the steps of a day, are each one sheet of A4 for the
// door of the fridge.
func TestPrintedOnOneSheet(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	s, _ := newServer(t, nil)
	base := serve(t, s)
	b := open(t, browser, screen{1280, 800, "light"})
	for name, path := range map[string]string{"plan": monday, "steps": "/?vessel=tub"} {
		b.run(chromedp.Navigate(base + path))
		b.waitText("main", "")
		assert.Equal(t, 1, b.sheets(name), path)
	}
}

// TestEveryPageIsAccessible runs axe over the pages, those that no other test of a browser
// opens among them, also on the narrowest screen.
func TestEveryPageIsAccessible(t *testing.T) {
	t.Parallel()
	browser := chrome(t)
	s, k := newServer(t, nil)
	ids := fill(t, k.store, 6, 50)
	base := serve(t, s)
	k.tell("basket", bake.EventStart)
	k.pass(10 * time.Minute)
	for _, sc := range []screen{{360, 740, "light"}, {360, 740, "dark"}, {1280, 800, "light"}, {320, 640, "light"}} {
		b := open(t, browser, sc)
		for _, path := range []string{"/recipe?vessel=tub", "/recipe?" + url.Values{"vessel": {"tub"}, "fit": {"loaves"}, "loaves": {"3"}, "own0": {"spelt"}, "flour2": {"50"}}.Encode(),
			"/kitchen", "/house", "/rises", "/settings", "/plan", "/no-such-page", "/", "/unlock",
			fmt.Sprintf("/rises/%d", ids[0]), fmt.Sprintf("/compare?id=%d&id=%d&id=%d", ids[0], ids[2], ids[3])} {
			b.run(chromedp.Navigate(base + path))
			b.waitText("main", "")
			b.run(chromedp.Evaluate[chromedp.Void]("document.querySelectorAll('details').forEach((d) => { d.open = true; }); undefined"))
			b.accessible(path)
			b.fitsWidth(sc.w, path)
			b.shot("axe-" + regexp.MustCompile(`\W+`).ReplaceAllString(path, "-") + sc.String())
		}
		b.forgive("404")
	}
}
