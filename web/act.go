package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
	"tidemark/web/glance"
)

// postAct does what a form asks for. A browser without scripts is sent back to
// the page, others get JSON.
func (s *Server) postAct(w http.ResponseWriter, r *http.Request) {
	a, err := s.actFromForm(r)
	if err == nil && a.Kind == ActPlan {
		a.Plan, err = s.planOfForm(r)
	}
	if err == nil {
		a.By = s.byWhom(r)
		err = s.do(r, a)
	}
	if err != nil {
		s.actFailed(w, r, err)
		return
	}
	said := s.actDone(a)
	if !wantsHTML(r) {
		writeJSON(w, http.StatusOK, doneJSON{Said: said, Vessel: a.Vessel, Undo: s.lastTold(a)})
		return
	}
	s.gate.setCookie(w, r, saidCookie, url.QueryEscape(said), 60)
	http.Redirect(w, r, backTo(r), http.StatusSeeOther)
}

// doneJSON answers to a tap: what was done, and what undoes it or gives it another
// time. Undo is 0 where neither makes sense.
type doneJSON struct {
	Said   string `json:"said"`
	Vessel string `json:"vessel"`
	Undo   int64  `json:"undo"`
}

// lastTold is the number of the event that an act has just become; 0 for none.
func (s *Server) lastTold(a Act) int64 {
	var id int64
	for _, v := range s.snapshot().Vessels {
		for _, d := range v.Deeds {
			if v.Name == a.Vessel && d.Kind == a.Kind && d.CanUndo {
				id = max(id, d.ID)
			}
		}
	}
	return id
}

// backTo is the page a form came from: only a path of ours, or that of its vessel.
func backTo(r *http.Request) string {
	if vessel := r.PostFormValue("vessel"); vessel != "" && r.PostFormValue("to") == "" {
		return "/?vessel=" + url.QueryEscape(vessel)
	}
	return localPath(r.PostFormValue("to"))
}

// do checks an act and hands it on.
func (s *Server) do(r *http.Request, a Act) error {
	if err := a.check(); err != nil {
		return err
	}
	if !slices.ContainsFunc(s.snapshot().Vessels, func(v Vessel) bool { return v.Name == a.Vessel }) {
		return Refuse("There is no vessel named %q.", a.Vessel)
	}
	return s.opt.Live.Act(r.Context(), a)
}

// actFailed tells a refusal as it is, and hides a fault behind a sentence.
func (s *Server) actFailed(w http.ResponseWriter, r *http.Request, err error) {
	var no Refusal
	var big *http.MaxBytesError
	switch {
	case errors.As(err, &no):
		s.refusePage(w, r, http.StatusConflict, "Not done", no.Why)
	case errors.As(err, &big):
		s.refusePage(w, r, http.StatusRequestEntityTooLarge, "Too large", "That is more text than can be kept; shorten it.")
	default:
		s.opt.Log.Error("an act failed", "error", err)
		s.refusePage(w, r, http.StatusInternalServerError, "That did not work",
			"A fault inside tidemark; nothing may have been kept. The log says more.")
	}
}

// byWhom names the asker for the record.
func (s *Server) byWhom(r *http.Request) string {
	if t := s.gate.ask(r).token; t != nil {
		return t.Name
	}
	return "page"
}

// said takes the answer to the last act out of its cookie.
func (s *Server) said(w http.ResponseWriter, r *http.Request) string {
	v := cookieValue(r, saidCookie)
	if v == "" {
		return ""
	}
	s.gate.setCookie(w, r, saidCookie, "", -1)
	text, err := url.QueryUnescape(v)
	if err != nil || len(text) > 300 {
		return ""
	}
	return text
}

// actFromForm reads an act from a form's fields. The field tap of a button holds
// kind, step and answer; ago is how many minutes back it happened.
func (s *Server) actFromForm(r *http.Request) (Act, error) {
	if err := r.ParseForm(); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return Act{}, err
		}
		return Act{}, Refuse("The form could not be read: %v.", err)
	}
	f := formReader{form: r.PostForm}
	if tap := f.text("tap"); tap != "" {
		for i, part := range strings.SplitN(tap, "|", 3) {
			r.PostForm.Set([]string{"kind", "step", "answer"}[i], part)
		}
	}
	a := Act{Kind: ActKind(f.text("kind")), Vessel: f.text("vessel"), RiseID: f.whole("rise"), Batch: f.text("batch"),
		TargetPercent: f.number("target"), SeenPercent: f.seen(), AlarmID: f.text("alarm"), Snooze: time.Duration(f.whole("minutes")) * time.Minute,
		StepID: f.text("step"), Answer: f.text("answer"), UndoID: f.whole("undo"), Note: f.text("note"),
		Judgement: history.Judgement{Outcome: f.text("outcome"), OvenSpring: f.text("oven_spring"), Note: f.text("note")}}
	a.Feed = f.feed()
	if a.Kind == ActAway {
		a.Away = s.awayOf(&f)
	}
	if ago := f.whole("ago"); ago > 0 {
		a.At = s.opt.Now().Add(-time.Duration(ago) * time.Minute)
	}
	if at := f.text("at"); at != "" {
		t, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t, err = time.ParseInLocation("2006-01-02T15:04", at, s.words.Locale().Zone)
		}
		if err != nil {
			return Act{}, Refuse("%q is not a time; write it like 2026-03-14T18:05:00+01:00.", at)
		}
		a.At = t
	}
	return a, f.err
}

// formReader reads fields and keeps the first error.
type formReader struct {
	form url.Values
	err  error
}

func (f *formReader) text(name string) string { return strings.TrimSpace(f.form.Get(name)) }

func (f *formReader) whole(name string) int64 {
	v := f.text(name)
	if v == "" {
		return 0
	}
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil && f.err == nil {
		f.err = Refuse("%s: %q is not a whole number.", name, v)
	}
	return n
}

func (f *formReader) number(name string) float64 {
	v := strings.Replace(f.text(name), ",", ".", 1)
	if v == "" {
		return 0
	}
	n, err := strconv.ParseFloat(v, 64)
	if err != nil && f.err == nil {
		f.err = Refuse("%s: %q is not a number.", name, v)
	}
	return n
}

// awayOf is when nobody is there: from now when the form leaves it out.
func (s *Server) awayOf(f *formReader) *bake.Span {
	now := s.opt.Now().In(s.words.Locale().Zone)
	span := bake.Span{From: now}
	from, until := f.text("away_from"), f.text("away_until")
	t, err := s.moment("from", &from, now)
	if !t.IsZero() {
		span.From = t
	}
	if err == nil {
		span.Until, err = s.moment("until", &until, span.From)
	}
	if f.err == nil {
		f.err = err
	}
	return &span
}

// seen is the rise of a look; nil when none is given.
func (f *formReader) seen() *float64 {
	if f.text("seen") == "" {
		return nil
	}
	v := f.number("seen")
	return &v
}

// The lengths of texts in characters.
const (
	maxNote  = 2000
	maxShort = 200
)

// check refuses an act that cannot make sense.
func (a Act) check() error {
	if !slices.Contains(actKinds(), a.Kind) {
		return Refuse("%q is not an act; use one of %s.", a.Kind, kindList())
	}
	for name, text := range map[string]string{"batch": a.Batch, "answer": a.Answer, "step": a.StepID, "alarm": a.AlarmID,
		"oven spring": a.Judgement.OvenSpring} {
		if utf8.RuneCountInString(text) > maxShort {
			return Refuse("The %s is longer than %d characters; shorten it.", name, maxShort)
		}
	}
	if utf8.RuneCountInString(a.Note) > maxNote || utf8.RuneCountInString(a.Judgement.Note) > maxNote {
		return Refuse("The note is longer than %d characters; shorten it.", maxNote)
	}
	return a.checkByKind()
}

// checkByKind checks what single kinds need.
func (a Act) checkByKind() error {
	switch a.Kind {
	case ActTarget:
		if !(a.TargetPercent >= 5 && a.TargetPercent <= 400) {
			return Refuse("The mark is %g %%; choose 5 to 400 (100 is doubled).", a.TargetPercent)
		}
	case ActLook:
		if a.SeenPercent == nil {
			return Refuse("Say how far it has risen: 0 is as at the start, 100 is doubled.")
		}
		if !(*a.SeenPercent > -90 && *a.SeenPercent <= 1000) {
			return Refuse("A rise of %g %% cannot be seen; 0 is as at the start, 100 is doubled.", *a.SeenPercent)
		}
	case ActSnooze:
		if a.Snooze < time.Minute || a.Snooze > 24*time.Hour {
			return Refuse("A reminder can come after 1 minute to 24 hours, not after %s.", a.Snooze)
		}
	case ActNote:
		if a.Note == "" {
			return Refuse("The note is empty; write something first.")
		}
	case ActJudgement:
		if !slices.Contains([]string{"", "under", "right", "over"}, a.Judgement.Outcome) {
			return Refuse("The outcome is %q; use under, right or over, or leave it out.", a.Judgement.Outcome)
		}
	}
	if err := a.checkFeed(); err != nil {
		return err
	}
	return a.checkIDs()
}

// checkIDs checks that what an act is about is named.
func (a Act) checkIDs() error {
	switch {
	case (a.Kind == ActAck || a.Kind == ActSnooze) && a.AlarmID == "":
		return Refuse("Say which warning: the alarm's id is missing.")
	case a.Kind == ActPlan && (a.Plan == nil || a.Plan.Way == ""):
		return Refuse("Say which plan: what was asked for and the way chosen are missing.")
	case a.Kind == ActCorrect && (a.UndoID == 0 || a.At.IsZero()):
		return Refuse("Say which of the deeds, and when it was done: its id or the time is missing.")
	case a.Kind == ActAway && (a.Away == nil || !a.Away.Until.After(a.Away.From)):
		return Refuse("Say from when until when nobody is there.")
	case (a.Kind == ActStepDone || a.Kind == ActStepSkip) && a.StepID == "":
		return Refuse("Say which step: its id is missing.")
	}
	return nil
}

func kindList() string {
	var words []string
	for _, k := range actKinds() {
		words = append(words, string(k))
	}
	return strings.Join(words, ", ")
}

// actDone says what was done.
func (s *Server) actDone(a Act) string {
	l := s.words.At(s.opt.Now())
	switch a.Kind {
	case ActTarget:
		return s.say("said.target", text.Values{"percent": a.TargetPercent})
	case ActLook:
		return s.say("said.look", text.Values{"percent": *a.SeenPercent})
	case ActAway:
		return l.Say("page.said.away", text.Values{"from": a.Away.From, "until": a.Away.Until})
	case ActSnooze:
		return s.say("said.snooze", text.Values{"span": a.Snooze})
	case ActAck, ActUndo, ActCorrect, ActNote, ActJudgement, ActPlan, ActStepSkip:
		return s.say("said."+string(a.Kind), nil)
	}
	at := a.At
	if at.IsZero() {
		at = s.opt.Now()
	}
	word := s.say("did."+string(a.Kind), nil)
	if a.StepID != "" {
		for _, v := range s.snapshot().Vessels {
			for _, x := range v.Steps {
				if v.Name == a.Vessel && x.ID == a.StepID {
					word = glance.TapLabel(x, l)
				}
			}
		}
	}
	return l.Say("page.said.did", text.Values{"what": word, "at": at})
}
