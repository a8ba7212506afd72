package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/glance"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static/*
var staticFiles embed.FS

// asset is one static file with the digest that names its version.
type asset struct {
	body   []byte
	digest string
	typ    string
}

// assets are the static files by name.
type assets map[string]asset

// loadAssets reads the embedded files.
func loadAssets() (assets, error) {
	a := assets{}
	err := fs.WalkDir(staticFiles, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := staticFiles.ReadFile(p)
		if err != nil {
			return err
		}
		a.add(path.Base(p), body)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("web: reading the built-in files: %w", err)
	}
	css := string(a["tidemark.css"].body)
	for name := range a {
		css = strings.ReplaceAll(css, "url("+name+")", "url("+a.url(name)+")")
	}
	a.add("tidemark.css", []byte(css))
	return a, nil
}

func (a assets) add(name string, body []byte) {
	sum := sha256.Sum256(body)
	typ := map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png",
		".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8"}[path.Ext(name)] // not left to the system's table
	a[name] = asset{body: body, digest: hex.EncodeToString(sum[:8]), typ: typ}
}

// buildOf names the pages and files as they are built in.
func buildOf(a assets) (string, error) {
	sum := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(a)) {
		sum.Write([]byte(a[name].digest))
	}
	pages, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return "", err
	}
	for _, p := range pages {
		body, err := templateFiles.ReadFile(p)
		if err != nil {
			return "", fmt.Errorf("web: reading the built-in pages: %w", err)
		}
		sum.Write(body)
	}
	return hex.EncodeToString(sum.Sum(nil)[:4]), nil
}

// url is where a file is served; its digest lets it be kept for a year.
func (a assets) url(name string) string { return "/static/" + name + "?v=" + a[name].digest }

// static serves one built-in file.
func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	f, ok := s.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", f.typ)
	h.Set("ETag", `"`+f.digest+`"`)
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == f.digest {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.body))
}

// favicon serves the icon where browsers look for one unasked.
func (s *Server) favicon(w http.ResponseWriter, r *http.Request) {
	r.SetPathValue("name", "icon.png")
	s.static(w, r)
}

// beforeUnit finds the space between a number and its unit.
var beforeUnit = regexp.MustCompile(`(\d) (%|°C|°F|h|min|d|L|mm|am|pm)(\P{L}|$)`)

// unbroken keeps a number and its unit on one line.
func unbroken(s string) string { return beforeUnit.ReplaceAllString(s, "$1\u00a0$2$3") }

// values are names and what stands for them, in turn.
func values(pairs []any) text.Values {
	v := text.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v[fmt.Sprint(pairs[i])] = pairs[i+1]
	}
	return v
}

// loadTemplates parses the pages. Their functions put what is known into the
// household's words, at the moment it is asked for.
func (s *Server) loadTemplates() (*template.Template, error) {
	now := func() *text.Localizer { return s.words.At(s.opt.Now()) }
	big := func(t time.Time) (clock, suffix string) {
		clock, suffix, _ = strings.Cut(s.words.Clock(t), " ")
		return clock, suffix
	}
	t, err := template.New("").Funcs(template.FuncMap{
		"asset": s.assets.url, "nb": unbroken, "upper": glance.Upper, "inc": func(i int) int { return i + 1 },
		"t": func(key string, pairs ...any) string { return now().Say("page."+key, values(pairs)) },
		"word": func(key string) string { // a key of the settings' words; anything else stays
			if strings.HasPrefix(key, "set.") {
				return s.say(key, nil)
			}
			return key
		},
		"tell":    tell(now),
		"clock":   s.words.Clock,
		"big":     func(t time.Time) string { c, _ := big(t); return c },
		"suffix":  func(t time.Time) string { _, s := big(t); return s },
		"moment":  func(t time.Time) string { return now().Moment(t) },
		"weekday": s.words.Weekday, "date": s.words.Date, "percent": s.words.Percent,
		"event":    func(e bake.Event, steps []bake.Step) string { return s.eventWord(e, steps) },
		"field":    func(t time.Time) string { return t.In(s.zone()).Format(formTime) },
		"clockNow": func(t time.Time) string { return now().Clock(t) },
		"span":     s.span, "window": s.windowOf, "chance": s.chance,
	}).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("web: reading the built-in pages: %w", err)
	}
	return t, nil
}

// tell says one sentence or several.
func tell(now func() *text.Localizer) func(what any) (string, error) {
	return func(what any) (string, error) {
		switch x := what.(type) {
		case bake.Said:
			return now().Tell(x), nil
		case bake.Sentences:
			return now().Tell(x...), nil
		}
		return "", fmt.Errorf("web: a page says a %T", what)
	}
}
