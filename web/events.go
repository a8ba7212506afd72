package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
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

// events streams the page's parts as they change. The id of each event is the
// number of the state; a reader that comes back with it gets nothing twice.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	canAct := s.gate.mayAct(r)
	sent := map[string]string{}
	s.stream(w, r, "parts", func(snap Snapshot) (any, bool) {
		clock, parts := s.partsOf(r.Context(), snap, canAct)
		changed := map[string]string{}
		for id, html := range parts {
			if old, ok := sent[id]; !ok || old != html {
				changed[id], sent[id] = html, html
			}
		}
		return partsMessage{clock, changed}, true
	})
}

// stream serves events made from states until the reader goes or the server
// closes.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, name string, make func(Snapshot) (any, bool)) {
	if !s.streams.enter() {
		w.Header().Set("Retry-After", "30")
		problem(w, http.StatusServiceUnavailable, "too many streams", "Too many pages follow along already; close some and load again.")
		return
	}
	defer s.streams.leave()
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	defer context.AfterFunc(s.stopped, cancel)()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	out := eventWriter{w: w, rc: http.NewResponseController(w)}
	_ = out.rc.SetReadDeadline(time.Time{}) // a stream outlives the time for a request
	changes := s.opt.Live.Subscribe(ctx)
	seq, have := lastEvent(r)
	if snap := s.opt.Live.Snapshot(); !have || snap.Seq != seq {
		seq = s.sendState(&out, name, snap, make)
	} else {
		out.beat(s.clock(snap))
	}
	s.follow(ctx, &out, changes, seq, name, make)
}

// lastEvent is the state a returning reader has.
func lastEvent(r *http.Request) (uint64, bool) {
	id := r.Header.Get("Last-Event-ID")
	seq, err := strconv.ParseUint(id, 10, 64)
	return seq, err == nil
}

// sendState writes one state and returns its number.
func (s *Server) sendState(out *eventWriter, name string, snap Snapshot, make func(Snapshot) (any, bool)) uint64 {
	if data, ok := make(snap); ok {
		out.event(name, snap.Seq, data)
	}
	return snap.Seq
}

// follow writes every change, at most one per minBetween, and beats between.
func (s *Server) follow(ctx context.Context, out *eventWriter, changes <-chan struct{}, seq uint64, name string, make func(Snapshot) (any, bool)) {
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	for out.err == nil {
		select {
		case <-ctx.Done():
			return
		case <-beat.C:
			out.beat(s.clock(s.opt.Live.Snapshot()))
		case _, open := <-changes:
			if !open {
				return
			}
			if snap := s.opt.Live.Snapshot(); snap.Seq != seq {
				seq = s.sendState(out, name, snap, make)
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
func (s *Server) clock(snap Snapshot) string { return s.opt.House.Clock(snap.At) }

// eventWriter writes server-sent events, as the HTML standard describes them
// (html.spec.whatwg.org, section 9.2).
type eventWriter struct {
	w   http.ResponseWriter
	rc  *http.ResponseController
	err error
}

// event writes one event with its number.
func (e *eventWriter) event(name string, id uint64, data any) {
	body, err := json.Marshal(data)
	if err != nil {
		e.err = err
		return
	}
	e.send(fmt.Sprintf("event: %s\nid: %d\ndata: %s\n\n", name, id, body))
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

// renderParts renders every live part of the page.
func (s *Server) renderParts(ctx context.Context, snap Snapshot, canAct bool) map[string]string {
	parts := map[string]string{}
	s.part(parts, "system", "system", nowPage{Problems: problems(snap, s.opt.House)})
	glance := nowPage{}
	for i, v := range snap.Vessels {
		view := s.view(ctx, snap, i, v, canAct)
		glance.Vessels = append(glance.Vessels, view)
		for _, name := range []string{"answer", "alarms", "chart", "table", "acts", "sensors"} {
			s.part(parts, view.ID+"-"+name, name, view)
		}
	}
	underWayFirst(glance.Vessels)
	s.part(parts, "glance", "glance", glance)
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
