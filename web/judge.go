package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"tidemark/bake"
)

// putJudgement keeps what a person thought of the result, told by a form or as JSON.
func (s *Server) putJudgement(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Outcome    string `json:"outcome"`
		OvenSpring string `json:"oven_spring"`
		Note       string `json:"note"`
	}
	if wantsHTML(r) {
		text := func(field string) string { return strings.TrimSpace(r.PostFormValue(field)) }
		in.Outcome, in.OvenSpring, in.Note = text("outcome"), text("oven_spring"), text("note")
	} else if !readJSON(w, r, &in) {
		return
	}
	err := s.judge(r, bake.Detail{Outcome: in.Outcome, OvenSpring: in.OvenSpring, Note: in.Note})
	s.judged(w, r, s.say("said.judgement", nil), err)
}

// dropJudgement takes the last note or judgement of a rise back.
func (s *Server) dropJudgement(w http.ResponseWriter, r *http.Request) {
	s.judged(w, r, s.say("said.undo", nil), s.unjudge(r))
}

// judged leads a browser back to the rise, or says why nothing was done.
func (s *Server) judged(w http.ResponseWriter, r *http.Request, said string, err error) {
	switch {
	case err != nil:
		s.judgeFailed(w, r, err)
	case wantsHTML(r):
		s.leadTo(w, r, "/rises/"+strconv.FormatInt(s.pathID(r), 10), said)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

func (s *Server) pathID(r *http.Request) int64 {
	id, _ := strconv.ParseInt(r.PathValue("id"), 10, 64) // 0 is no rise
	return id
}

// judge hands what a person thought of a rise on as an event, like all that people
// tell: it is written down with who did it and can be taken back. The vessel of a past
// rise may be gone, so it is not looked for among those that are watched.
func (s *Server) judge(r *http.Request, d bake.Detail) error {
	e := bake.Event{Kind: bake.EventJudged, RiseID: s.pathID(r), By: s.byWhom(r), Detail: bake.Detail{Outcome: d.Outcome, OvenSpring: d.OvenSpring, Note: d.Note}}
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
	rise, err := s.opt.History.Rise(r.Context(), s.pathID(r))
	if err != nil {
		return err
	}
	events, err := s.opt.History.Events(r.Context(), rise.ID)
	if err != nil {
		return err
	}
	last, ok := lastJudging(events)
	if !ok {
		return Refuse("No note or result of this rise is left to take back.")
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

// judgeFailed sorts a refusal from a fault of the history.
func (s *Server) judgeFailed(w http.ResponseWriter, r *http.Request, err error) {
	var no Refusal
	if errors.As(err, &no) {
		s.eventFailed(w, r, err)
		return
	}
	s.historyFailed(w, r, err)
}
