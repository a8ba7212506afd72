package web

import (
	"net/http"
	"strconv"
	"strings"

	"tidemark/bake"
)

// putJudgement keeps what a person thought of the result, told by a form or as JSON. It is
// an event like all that people tell: written down with who did it, and it can be taken
// back.
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
	e := bake.Event{Kind: bake.EventJudged, RiseID: pathID(r, "id"), By: s.byWhom(r), Detail: bake.Detail{Outcome: in.Outcome, OvenSpring: in.OvenSpring, Note: in.Note}}
	return s.judged(w, r, request{Event: e}, "said.judgement")
}

// dropJudgement takes the last note or judgement of a rise back.
func (s *Server) dropJudgement(w http.ResponseWriter, r *http.Request) error {
	rise, err := s.rise(r)
	if err != nil {
		return err
	}
	events, err := s.opt.History.Events(r.Context(), rise.ID)
	if err != nil {
		return err
	}
	last := lastJudging(events)
	if last == 0 {
		return refuse("judgement", nil)
	}
	return s.judged(w, r, request{Event: bake.Event{Kind: kindUndo, Vessel: rise.Vessel, RiseID: rise.ID}, EventID: last}, "said.undo")
}

// judged does what is asked for and leads a browser back to the rise.
func (s *Server) judged(w http.ResponseWriter, r *http.Request, a request, said string) error {
	if err := s.do(r, a); err != nil {
		return err
	}
	if wantsHTML(r) {
		return s.leadTo(w, r, "/rises/"+strconv.FormatInt(a.RiseID, 10), s.say(said, nil))
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// lastJudging is the number of the newest note or judgement that stands; 0 for none.
func lastJudging(events []bake.Event) (id int64) {
	for _, e := range events {
		if e.UndoneAt.IsZero() && (e.Kind == bake.EventNote || e.Kind == bake.EventJudged) {
			id = max(id, e.ID)
		}
	}
	return id
}
