package web

import (
	"bytes"
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"regexp"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
	"tidemark/web/glance"
	"tidemark/web/past"
)

// frame is what every page shares.
type frame struct {
	Title  string
	Here   string // "now", "plan", "rises", "house"
	Flash  string // answer to what was told last
	CanAct bool
	Chips  []chipView // the vessels, each in a word
}

// chipView is a vessel in the row of vessels.
type chipView struct {
	ID, Vessel, Name, Word string
	Calls, Shown           bool
}

// frame fills in the shared part for one reader.
func (s *Server) frame(w http.ResponseWriter, r *http.Request, title, here string) frame {
	return frame{Title: title + " · tidemark", Here: here, CanAct: s.mayAct(r), Flash: s.flash(w, r)}
}

// has reports whether there is a part of the service that was left out otherwise.
func (s *Server) has(part string) bool {
	return map[string]bool{"demo": s.opt.Demo, "again": s.opt.Again != nil, "past": s.opt.History != nil, "plan": s.opt.Planner != nil,
		"setup": s.opt.Setup != nil, "level": s.opt.Level != nil, "metrics": s.opt.Metrics != nil, "upkeep": s.opt.Upkeep != nil && s.opt.History != nil}[part]
}

// lang is the language of the pages, as HTML names it.
func (s *Server) lang() string {
	return cmp.Or(s.words.Locale().Language, "en")
}

// zone is the household's.
func (s *Server) zone() *time.Location { return s.words.Locale().Zone }

// now returns the household's words for the moment.
func (s *Server) now() *text.Localizer { return s.words.At(s.opt.Now()) }

// say says a key of the page in the household's language.
func (s *Server) say(key string, v text.Values) string { return s.words.Say("page."+key, v) }

// render writes a page. It fails, before anything is written, when the template does.
func (s *Server) render(w http.ResponseWriter, status int, name string, data any) error {
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("the page %s could not be made: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
	return nil
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
	t, err := template.New("").Funcs(template.FuncMap{
		"asset": s.assets.url, "nb": unbroken, "upper": glance.Upper, "inc": func(i int) int { return i + 1 },
		"has": s.has, "lang": s.lang, "version": func() string { return s.opt.Live.Snapshot().System.Version }, "unit": s.degreeSign,
		"t": func(key string, pairs ...any) string { return s.now().Say("page."+key, values(pairs)) },
		"word": func(key string) string { // a key of the settings' words; anything else stays
			if strings.HasPrefix(key, "set.") {
				return s.say(key, nil)
			}
			return key
		},
		"tell":    s.tell,
		"clock":   s.words.Clock,
		"big":     func(t time.Time) string { big, _, _ := strings.Cut(s.words.Clock(t), " "); return big },
		"suffix":  func(t time.Time) string { _, suffix, _ := strings.Cut(s.words.Clock(t), " "); return suffix },
		"moment":  func(t time.Time) string { return s.now().Moment(t) },
		"weekday": s.words.Weekday, "date": s.words.Date, "percent": s.words.Percent,
		"event":    func(e bake.Event, steps []bake.Step) string { return s.eventWord(e, steps) },
		"field":    func(t time.Time) string { return t.In(s.zone()).Format(formTime) },
		"clockNow": func(t time.Time) string { return s.now().Clock(t) },
		"span":     s.span, "window": s.windowOf, "chance": s.chance,
		"y":     func(share float64) string { return fmt.Sprintf("%.1f", 228-222*share) }, // of the staff
		"strip": s.stripSVG, "steps": s.steps, "told": told, "facts": s.facts, "seen": s.lookFor, "sensor": s.sensor, "planLines": s.planLines, "planDays": s.planDays,
		"rise": func(r bake.Rise) string { return past.Name(r, s.words) }, "sentence": func(r bake.Rise) string { return past.Sentence(r, s.words) },
		"riseFacts": func(r bake.Rise) []past.Fact { return past.Facts(r, s.words) }, "curve": s.spark, "toldWord": s.kindWord, "byName": s.byName,
		"count":    func(key string, n int, pairs ...any) string { return s.words.SayN(key, n, values(pairs)) },
		"holdings": func(h history.Summary) string { return past.Holdings(h, s.words) },
		"join":     func(list []string) string { return strings.Join(list, ", ") },
		"momentOf": func(t, of time.Time) string { return s.words.At(of).Moment(t) },
		"hour":     func(h *bake.Outlook, now time.Time) string { return glance.StaysOut(h, now, s.words) },
	}).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("web: reading the built-in pages: %w", err)
	}
	return t, nil
}

// tell says one sentence or several.
func (s *Server) tell(what any) (string, error) {
	switch x := what.(type) {
	case bake.Said:
		return s.now().Tell(x), nil
	case bake.Sentences:
		return s.now().Tell(x...), nil
	}
	return "", fmt.Errorf("web: a page says a %T", what)
}
