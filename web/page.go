package web

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"time"

	"tidemark/alert/text"
)

// frame is what every page shares.
type frame struct {
	Title      string
	Lang       string
	Here       string // "now", "plan", "rises", "house"
	Flash      string // answer to what was told last
	Demo       bool
	Again      bool // the invented day can begin anew
	HasHistory bool
	HasPlan    bool
	HasSetup   bool
	Version    string
	CanAct     bool
	Chips      []chipView // the vessels, each in a word
}

// chipView is a vessel in the row of vessels.
type chipView struct {
	ID, Vessel, Name, Word string
	Calls, Shown           bool
}

// frame fills in the shared part for one reader.
func (s *Server) frame(w http.ResponseWriter, r *http.Request, title, here string) frame {
	snap := s.opt.Live.Snapshot()
	f := frame{Title: title + " · tidemark", Lang: s.lang(), Here: here, Demo: s.opt.Demo, Again: s.opt.Again != nil,
		HasHistory: s.opt.History != nil, HasPlan: s.opt.Planner != nil, HasSetup: s.opt.Setup != nil, Version: snap.System.Version, CanAct: s.mayAct(r)}
	f.Flash = s.flash(w, r)
	return f
}

// lang is the language of the pages, as HTML names it.
func (s *Server) lang() string {
	return cmp.Or(s.words.Locale().Language, "en")
}

// zone is the household's.
func (s *Server) zone() *time.Location { return s.words.Locale().Zone }

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
