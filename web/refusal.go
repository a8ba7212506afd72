package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"regexp"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
	"tidemark/web/access"
	"tidemark/web/glance"
)

// refuse returns a Refusal with a sentence of the catalogue.
func refuse(key string, v text.Values) error {
	return Refusal{Said: bake.Said{Key: "page.refused." + key, Values: v}}
}

// speaker returns the words of an answer: the household's on the page, English on the API.
func (s *Server) speaker(r *http.Request) *text.Localizer {
	l := s.words
	if strings.HasPrefix(r.URL.Path, "/api/") {
		l = s.english
	}
	return l.At(s.opt.Now())
}

// indices are the places of ingredients in the name of a field of a batch.
var indices = regexp.MustCompile(`\[\d+\]`)

// why says what was refused, and whether the error is a refusal: others are faults.
func why(l *text.Localizer, err error) (string, bool) {
	var no Refusal
	var field bake.FieldError
	switch {
	case errors.As(err, &no) && no.Said.Key != "":
		return l.Tell(no.Said), true
	case errors.As(err, &no):
		return no.Why, true
	case errors.As(err, &field):
		if key := "page.refused.batch." + indices.ReplaceAllString(field.Field, ""); l.Has(key) {
			return l.Say(key, nil), true
		}
		return glance.Upper(l.Tell(field.Said)) + ".", true
	}
	for _, x := range []struct {
		err error
		key string
	}{{access.ErrWrong, "unlock.wrong"}, {access.ErrNotSet, "unlock.none"}, {access.ErrTooMany, "unlock.many"}, {access.ErrClosed, "refused.closed"}, {access.ErrShort, "refused.short"}, {access.ErrLong, "refused.phrase_long"},
		{access.ErrTokenName, "refused.token_name"}, {access.ErrNoScope, "refused.token_scope"}, {access.ErrTokenTaken, "refused.token_taken"}, {access.ErrNoToken, "refused.token_gone"}} {
		if errors.Is(err, x.err) {
			return l.Say("page."+x.key, text.Values{"n": access.MinPassphrase}), true
		}
	}
	return "", false
}

// wrong says on a page why nothing came of its form, with the status of the answer.
func (s *Server) wrong(err error) (int, string) {
	if said, ok := why(s.words.At(s.opt.Now()), err); ok {
		return http.StatusConflict, said
	}
	s.opt.Log.Error("a form could not be answered", "error", err)
	return http.StatusInternalServerError, s.say("refused.fault.text", nil)
}

// missing is something that is not there, by its key in the catalogue.
type missing struct {
	key    string
	values text.Values
}

func (m missing) Error() string { return m.key }

// failed answers an error: a refusal with its reason, what is not there with 404, and a
// fault with a sentence that tells nothing of the inside.
func (s *Server) failed(w http.ResponseWriter, r *http.Request, err error) {
	var no Refusal
	var big *http.MaxBytesError
	var gone missing
	var told Problem
	said, refused := why(s.speaker(r), err)
	if isUpload(r) {
		w.Header().Set("Connection", "close") // what is left of the upload is not read
	}
	switch {
	case errors.As(err, &no) && no.Ask != nil:
		s.askBack(w, r, no)
	case errors.As(err, &told):
		told.write(w)
	case errors.As(err, &big):
		s.refusePage(w, r, http.StatusRequestEntityTooLarge, "refused.large")
	case refused && r.Method == http.MethodGet:
		s.refuse(w, r, http.StatusBadRequest, "refused", said)
	case refused:
		s.refuse(w, r, http.StatusConflict, "refused", said)
	case errors.As(err, &gone):
		s.refuse(w, r, http.StatusNotFound, gone.key, s.speaker(r).Say("page."+gone.key+".text", gone.values))
	case errors.Is(err, history.ErrNotFound):
		s.refusePage(w, r, http.StatusNotFound, "refused.rise")
	case errors.Is(err, context.Canceled): // nobody waits for it
	default:
		s.opt.Log.Error("a request failed", "path", r.URL.Path, "error", err)
		s.refusePage(w, r, http.StatusInternalServerError, "refused.fault")
	}
}

// refusePage refuses with a heading of the page and the text that belongs to it.
func (s *Server) refusePage(w http.ResponseWriter, r *http.Request, status int, key string) {
	s.refuse(w, r, status, key, s.speaker(r).Say("page."+key+".text", nil))
}

// refuse refuses as a page or as a problem document, as the asker reads.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, heading, said string) {
	p := messagePage{Heading: s.speaker(r).Say("page."+heading, nil), Text: said, Back: "/"}
	switch {
	case strings.HasPrefix(r.URL.Path, "/house"):
		p.Back = "/house"
	case status == http.StatusUnauthorized:
		p.Back = "/unlock"
	}
	s.message(w, r, status, p)
}

// message shows a page that says one thing, or its problem document.
func (s *Server) message(w http.ResponseWriter, r *http.Request, status int, p messagePage) {
	if !wantsHTML(r) {
		problem(w, status, p.Heading, p.Text)
		return
	}
	p.Title = p.Heading
	if err := s.render(w, status, "message", p); err != nil {
		http.Error(w, p.Heading, status)
	}
}

// Problem is an error as the API tells it (RFC 9457, problem details).
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`

	Ask *askJSON `json:"ask,omitempty"` // what to tell first
}

// askJSON is what must have happened before an event and was not told: the event sent again
// with first_at tells both. Say, Label and Field are for the page.
type askJSON struct {
	Kind  string    `json:"kind"`
	At    time.Time `json:"at"` // when it may have been
	Say   string    `json:"say"`
	Label string    `json:"label"`
	Field string    `json:"field"`
}

// problem writes a problem document: what only programs come to, and so in English.
func problem(w http.ResponseWriter, status int, title, detail string) {
	Problem{Title: title, Status: status, Detail: detail}.write(w)
}

// Error returns the detail.
func (p Problem) Error() string { return p.Detail }

func (p Problem) write(w http.ResponseWriter) {
	p.Type = "about:blank"
	w.Header().Del("ETag")
	w.Header().Set("Content-Type", "application/problem+json")
	_ = writeJSON(w, p.Status, p)
}

// writeJSON answers with a JSON value.
func writeJSON(w http.ResponseWriter, status int, v any) error {
	if w.Header().Get("Content-Type") == "" {
		w.Header().Set("Content-Type", "application/json")
	}
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // whoever asked may be gone
	return nil
}
