package web

import (
	"bytes"
	"context"
	"encoding/json"
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
}

// events streams the page's parts as they change.
func (s *Server) events(w http.ResponseWriter, r *http.Request) error {
	sent, only := map[string]string{}, r.URL.Query().Get("only")
	return s.stream(w, r, "parts", func(snap Snapshot) any {
		clock, parts := s.partsOf(r.Context(), snap, s.gate.mayAct(r))
		changed := map[string]string{}
		for id, html := range parts {
			if only != "" && strings.HasPrefix(id, "v") && !strings.HasPrefix(id, only+"-") {
				continue // of a vessel that this page does not show
			}
			if old, ok := sent[id]; !ok || old != html {
				changed[id], sent[id] = html, html
			}
		}
		return partsMessage{clock, changed}
	})
}

// feed is one open stream.
type feed struct {
	s    *Server
	r    *http.Request
	out  eventWriter
	name string // of its events
	make func(Snapshot) any
	seq  uint64 // the state the reader has
}

// stream serves events made from states until the reader goes, may no longer read
// or the server closes.
//
// A state replaces the one before, so a reader that was away needs none of those it
// missed, only the newest: it gets that at once and whole.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, name string, make func(Snapshot) any) error {
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
	f := &feed{s: s, r: r, out: eventWriter{w: w, rc: http.NewResponseController(w)}, name: name, make: make}
	_ = f.out.rc.SetReadDeadline(time.Time{}) // a stream outlives the time for a request
	changes := s.opt.Live.Subscribe(ctx)
	if had := r.Header.Get("Last-Event-ID"); had != "" && !strings.HasPrefix(had, s.build+".") && name == "parts" {
		f.out.send("event: reload\ndata: {}\n\n")
	}
	f.state(s.opt.Live.Snapshot())
	f.follow(ctx, changes)
	return nil
}

// state writes one state. Its id names the build of the page, as a page of an earlier one is
// told to load again first, for its script and its parts may not fit ours.
func (f *feed) state(snap Snapshot) {
	f.seq = snap.Seq
	f.out.event(f.name, fmt.Sprintf("%s.%d", f.s.build, snap.Seq), f.make(snap))
}

// follow writes every change, at most one per minBetween, and beats between. A
// reader whose session has ended meanwhile hears no more.
func (f *feed) follow(ctx context.Context, changes <-chan struct{}) {
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	for f.out.err == nil {
		select {
		case <-ctx.Done():
			return
		case <-beat.C:
			if !f.s.gate.may(f.r, access.Read) {
				return
			}
			f.out.beat(f.s.clock(f.s.opt.Live.Snapshot()))
		case _, open := <-changes:
			if !open || !f.s.gate.may(f.r, access.Read) {
				return
			}
			if snap := f.s.opt.Live.Snapshot(); snap.Seq != f.seq {
				f.state(snap)
			}
			if !rest(ctx, minBetween) {
				return
			}
		}
	}
}

// rest waits, and reports false when ctx ended first.
func rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// clock is the household's time of a state.
func (s *Server) clock(snap Snapshot) string { return s.words.Clock(snap.At) }

// eventWriter writes server-sent events, as the HTML standard describes them
// (html.spec.whatwg.org, section 9.2).
type eventWriter struct {
	w   http.ResponseWriter
	rc  *http.ResponseController
	err error
}

// event writes one event with its id.
func (e *eventWriter) event(name, id string, data any) {
	body, err := json.Marshal(data)
	if err != nil {
		e.err = err
		return
	}
	e.send(fmt.Sprintf("event: %s\nid: %s\ndata: %s\n\n", name, id, body))
}

// beat shows that the link lives.
func (e *eventWriter) beat(clock string) {
	e.send(fmt.Sprintf("event: beat\ndata: {\"clock\":%q}\n\n", clock))
}

// send writes text and gives a slow reader a bounded time.
func (e *eventWriter) send(text string) {
	_ = e.rc.SetWriteDeadline(time.Now().Add(writeTimeout)) // not every writer has deadlines
	if _, e.err = e.w.Write([]byte(text)); e.err == nil {
		e.err = e.rc.Flush()
	}
}

// partsOf renders the parts of a state once for all readers.
func (s *Server) partsOf(ctx context.Context, snap Snapshot, canAct bool) (string, map[string]string) {
	s.parts.mu.Lock()
	defer s.parts.mu.Unlock()
	if s.parts.byAct == nil || s.parts.seq != snap.Seq {
		s.parts.seq, s.parts.clock = snap.Seq, s.clock(snap)
		s.parts.byAct = map[bool]map[string]string{}
	}
	if parts, ok := s.parts.byAct[canAct]; ok {
		return s.parts.clock, parts
	}
	parts := s.renderParts(context.WithoutCancel(ctx), snap, canAct)
	s.parts.byAct[canAct] = parts
	return s.parts.clock, parts
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
		view.Demo = view.Demo || s.opt.Demo
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
