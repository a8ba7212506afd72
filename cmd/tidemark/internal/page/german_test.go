package page

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/web"
)

var (
	pieces  = regexp.MustCompile(`(?s)<(?:style|script|code|pre)[^>]*>.*?</(?:style|script|code|pre)>|<[^>]*>`)
	spoken  = regexp.MustCompile(`(?:aria-label|alt|data-wait|data-no|data-lost|data-failed|title)="([^"]*)"`)
	holes   = regexp.MustCompile(`\\\{[a-z0-9_]+\\\}`)
	english = regexp.MustCompile(`\b(the|and|is|are|of|with|your|from|until|has|have|were|this|that|then|it|to|into|by|for)\b`)
)

// said are the sentences of a page, those for whoever does not see it included.
func said(page string) []string {
	var out []string
	for _, m := range spoken.FindAllStringSubmatch(page, -1) {
		out = append(out, html.UnescapeString(m[1]))
	}
	for _, p := range pieces.Split(page, -1) {
		if p = strings.TrimSpace(html.UnescapeString(p)); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// foreignTo finds what is English in a German page: a sentence of the English catalogue
// that is none of the German one, and whatever has an English word in it.
type foreignTo struct{ en, de []*regexp.Regexp }

func newForeign(t *testing.T) foreignTo {
	t.Helper()
	load := func(language string) []*regexp.Regexp {
		c, err := text.Load(language)
		require.NoError(t, err)
		var out []*regexp.Regexp
		for _, sentence := range c {
			if words := holes.ReplaceAllString(regexp.QuoteMeta(sentence), ""); len(words) >= 8 {
				out = append(out, regexp.MustCompile(`^(?i)`+holes.ReplaceAllString(regexp.QuoteMeta(sentence), ".*")+`$`))
			}
		}
		return out
	}
	return foreignTo{load("en"), load("de")}
}

func (f foreignTo) find(page string) []string {
	var out []string
	for _, s := range said(page) {
		fits := func(list []*regexp.Regexp) bool {
			for _, r := range list {
				if r.MatchString(s) {
					return true
				}
			}
			return false
		}
		if slices.Contains(out, s) {
			continue
		}
		if english.MatchString(s) || fits(f.en) && !fits(f.de) {
			out = append(out, s)
		}
	}
	return out
}

// TestGermanIsWhole renders every page in German, at every stage of a day, and finds no
// English sentence.
func TestGermanIsWhole(t *testing.T) {
	t.Parallel()
	f := newForeign(t)
	page := func(b *browser, path string) {
		w := b.get(path)
		require.Contains(t, []int{200, 404, 409}, w.Code, path)
		assert.Empty(t, f.find(w.Body.String()), path)
	}
	aDay(t, germans, func(stage string, s *web.Server) {
		b := newBrowser(t, s)
		for _, path := range []string{"/?vessel=tub", "/?vessel=jar", "/?vessel=basket", "/kitchen"} {
			t.Run(stage+path, func(*testing.T) { page(b, path) })
		}
	})
	k := risen(t, germans, true)
	ids := fill(t, k.store, 8, 100)
	s := k.server(func(o *web.Options) {
		o.Setup, o.Level = &file{sheet: web.Sheet{Version: "v1", CanUndo: true, Vessels: []web.SheetVessel{{Name: "jar"}}, Channels: []web.SheetChannel{{Name: "phone", Kind: "topic"}}}}, &scale{live: o.Live}
	})
	b := newBrowser(t, s)
	require.Equal(t, http.StatusSeeOther, b.post("/vessels/basket/level", url.Values{"step": {"empty"}}).Code)
	require.Equal(t, http.StatusSeeOther, b.post("/vessels/basket/level", url.Values{"step": {"pour"}, "litres": {"1"}}).Code)
	for _, path := range []string{"/?vessel=tub", "/?vessel=jar", "/plan", "/plan?ready=2026-03-15T13:00&air=22&warm=26&vessel=basket&out=2026-03-14T23:00", "/rises", "/rises?q=nichts", fmt.Sprintf("/rises/%d", ids[0]), fmt.Sprintf("/rises/%d", ids[1]),
		fmt.Sprintf("/compare?id=%d&id=%d&id=%d", ids[0], ids[2], ids[3]), fmt.Sprintf("/compare?by=equivalent&id=%d&id=%d", ids[0], ids[2]), "/house", "/settings",
		"/vessels/basket/level", "/unlock", "/nirgends", "/rises/4711"} {
		t.Run(path, func(*testing.T) { page(b, path) })
	}
	shown, _ := newServerOf(t, germans, func(o *web.Options) { o.Live = edited{o.Live, bread} })
	for _, path := range []string{"/?vessel=tub", "/?vessel=jar", "/?vessel=basket"} {
		t.Run("bread"+path, func(*testing.T) { page(newBrowser(t, shown), path) })
	}
}
