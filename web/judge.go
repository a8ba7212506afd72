package web

import (
	"net/http"
	"strconv"
	"strings"

	"tidemark/bake"
)

// putJudgement keeps what a person thought of the result, told by a form or as JSON.
func (s *Server) putJudgement(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Outcome    string `json:"outcome"`
		OvenSpring string `json:"oven_spring"`
		Note       string `json:"note"`
	}
	if wantsHTML(r) {
		text := func(field string) string { return strings.TrimSpace(r.PostFormValue(field)) }
		in.Outcome, in.OvenSpring, in.Note = text("outcome"), text("oven_spring"), text("note")
	} else if err := readJSON(r, &in); err != nil {
		return err
	}
	if err := s.judge(r, bake.Detail{Outcome: in.Outcome, OvenSpring: in.OvenSpring, Note: in.Note}); err != nil {
		return err
	}
	return s.judged(w, r, s.say("said.judgement", nil))
}

// dropJudgement takes the last note or judgement of a rise back.
func (s *Server) dropJudgement(w http.ResponseWriter, r *http.Request) error {
	if err := s.unjudge(r); err != nil {
		return err
	}
	return s.judged(w, r, s.say("said.undo", nil))
}

// judged leads a browser back to the rise.
func (s *Server) judged(w http.ResponseWriter, r *http.Request, said string) error {
	if wantsHTML(r) {
		return s.leadTo(w, r, "/rises/"+strconv.FormatInt(pathID(r, "id"), 10), said)
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// judge hands what a person thought of a rise on as an event, like all that people
// tell: it is written down with who did it and can be taken back. The vessel of a past
// rise may be gone, so it is not looked for among those that are watched.
func (s *Server) judge(r *http.Request, d bake.Detail) error {
	e := bake.Event{Kind: bake.EventJudged, RiseID: pathID(r, "id"), By: s.byWhom(r), Detail: bake.Detail{Outcome: d.Outcome, OvenSpring: d.OvenSpring, Note: d.Note}}
	if err := (request{Event: e}).check(); err != nil {
		return err
	}
	rise, err := s.opt.History.Rise(r.Context(), e.RiseID)
	if err != nil {
		return err
	}
	e.Vessel = rise.Vessel
	return s.opt.Live.Do(r.Context(), e)
}

// unjudge takes the last note or judgement of a rise back.
func (s *Server) unjudge(r *http.Request) error {
	rise, err := s.rise(r)
	if err != nil {
		return err
	}
	events, err := s.opt.History.Events(r.Context(), rise.ID)
	if err != nil {
		return err
	}
	last, ok := lastJudging(events)
	if !ok {
		return refuse("judgement", nil)
	}
	return s.opt.Live.Undo(r.Context(), rise.Vessel, rise.ID, last.ID)
}

// lastJudging is the newest note or judgement that stands.
func lastJudging(events []bake.Event) (bake.Event, bool) {
	var last bake.Event
	for _, a := range events {
		if k := a.Kind; a.UndoneAt.IsZero() && (k == bake.EventNote || k == bake.EventJudged) && a.ID > last.ID {
			last = a
		}
	}
	return last, last.ID != 0
}
