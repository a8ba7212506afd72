package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"tidemark/web/access"
)

// beatEvery is how often a stream shows that it lives; the page takes a
// silence of 40 seconds for a lost link.
const beatEvery = 15 * time.Second

// minBetween is the shortest time between two updates to one reader.
const minBetween = 500 * time.Millisecond

// partsMessage is one update of the page: parts by element id.
type partsMessage struct {
	Clock string            `json:"clock"`
	Parts map[string]string `json:"parts"`
	seq   uint64            // of the state
}

// events streams the page's parts as they change.
func (s *Server) events(w http.ResponseWriter, r *http.Request) error {
	sent, only := map[string]string{}, r.URL.Query().Get("only")
	return s.stream(w, r, "parts", func(snap Snapshot) any {
		all := s.partsOf(r.Context(), snap, s.mayAct(r))
		changed := map[string]string{}
		for id, html := range all.Parts {
			if only != "" && strings.HasPrefix(id, "v") && !strings.HasPrefix(id, only+"-") {
				continue // of a vessel that this page does not show
			}
			if old, ok := sent[id]; !ok || old != html {
				changed[id], sent[id] = html, html
			}
		}
		return partsMessage{Clock: all.Clock, Parts: changed}
	})
}

// stream serves events made from states until the reader goes, may no longer read
// or the server closes.
//
// A state replaces the one before, so a reader that was away needs none of those it
// missed, only the newest: it gets that at once and whole. The id of an event names the
// build of the page, as a page of an earlier one is told to load again first, for its
// script and its parts may not fit ours.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, name string, of func(Snapshot) any) error {
	from := asker(r)
	if !s.streams.enter(from) {
		w.Header().Set("Retry-After", "30")
		return Problem{Title: "too many streams", Status: http.StatusServiceUnavailable, Detail: "Too many pages follow along already; close some and load again."}
	}
	defer s.streams.leave(from)
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	defer context.AfterFunc(s.stopped, cancel)()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	rc := http.NewResponseController(w)
	_ = rc.SetReadDeadline(time.Time{}) // a stream outlives the time for a request
	var err error
	send := func(event, id string, data any) { // as html.spec.whatwg.org, section 9.2, has it
		body, bad := json.Marshal(data)
		_ = rc.SetWriteDeadline(time.Now().Add(writeTimeout)) // not every writer has deadlines
		_, err = fmt.Fprintf(w, "event: %s\n%sdata: %s\n\n", event, id, body)
		err = errors.Join(bad, err, rc.Flush())
	}
	changes := s.opt.Live.Subscribe(ctx)
	if had := r.Header.Get("Last-Event-ID"); had != "" && !strings.HasPrefix(had, s.build+".") && name == "parts" {
		send("reload", "", struct{}{})
	}
	var snap Snapshot
	state := func(now Snapshot) {
		snap = now
		send(name, fmt.Sprintf("id: %s.%d\n", s.build, snap.Seq), of(snap))
	}
	state(s.opt.Live.Snapshot())
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	for err == nil {
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
			send("beat", "", map[string]string{"clock": s.clock(s.opt.Live.Snapshot())})
		case _, open := <-changes:
			if !open {
				return nil
			}
			if now := s.opt.Live.Snapshot(); now.Seq != snap.Seq && s.may(r, access.Read) {
				state(now)
			}
			wait, stop := context.WithTimeout(ctx, minBetween)
			<-wait.Done()
			stop()
		}
		if !s.may(r, access.Read) {
			return nil // its session has ended meanwhile
		}
	}
	return nil
}

// clock is the household's time of a state.
func (s *Server) clock(snap Snapshot) string { return s.words.Clock(snap.At) }

// partsOf renders the parts of a state once for all readers.
func (s *Server) partsOf(ctx context.Context, snap Snapshot, canAct bool) partsMessage {
	m, _ := s.parts.get(canAct, func(m partsMessage) bool { return m.seq == snap.Seq }, func() (partsMessage, error) {
		return partsMessage{s.clock(snap), s.renderParts(context.WithoutCancel(ctx), snap, canAct), snap.Seq}, nil
	})
	return m
}

// vesselParts are the live parts of a vessel, templates that are named so.
func vesselParts() []string {
	return []string{"place", "glance", "chart", "else", "steps", "told", "more"}
}

// renderParts renders every live part of the pages.
func (s *Server) renderParts(ctx context.Context, snap Snapshot, canAct bool) map[string]string {
	parts := map[string]string{}
	s.part(parts, "system", "system", nowPage{Problems: s.problems(snap)})
	for _, c := range s.chips(snap, -1) {
		s.part(parts, c.ID, "chip", c)
	}
	for i := range snap.Vessels {
		view := s.view(ctx, snap, i, canAct)
		for _, name := range vesselParts() {
			s.part(parts, view.ID+"-"+name, name, view)
		}
	}
	s.part(parts, "kitchen", "kitchen-all", s.kitchen(snap))
	return parts
}

// part renders one template into the map.
func (s *Server) part(parts map[string]string, id, name string, data any) {
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, name, data); err != nil {
		s.opt.Log.Error("a part of the page could not be made", "part", name, "error", err)
		return
	}
	parts[id] = b.String()
}
