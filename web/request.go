package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"time"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
)

// What a person may ask for beside telling an event.
const (
	kindUndo    bake.EventKind = "undo"
	kindCorrect bake.EventKind = "correct" // an event was at another time
	kindAck     bake.EventKind = "ack"     // a warning was seen
	kindSnooze  bake.EventKind = "snooze"  // remind again later
)

// request is what a person asks for, by a form or through the API: an event that
// happened or what is to become of an event or a warning.
type request struct {
	bake.Event
	EventID int64     // of undo and correct; 0 is the last one
	FirstAt time.Time // when that was which the event asks for first, see bake.Ask; zero for not said
	AlarmID string
	Snooze  time.Duration
	Wish    *PlanRequest // of a plan: what was asked for, and the way chosen
}

// kinds lists what may be asked for.
func kinds() []bake.EventKind {
	told := slices.DeleteFunc(bake.EventKinds(), func(k bake.EventKind) bool { return !k.CanUndo() })
	return append(told, kindUndo, kindCorrect, kindAck, kindSnooze)
}

// postEvent does what a form asks for. A browser without scripts is sent back to
// the page, others get JSON.
func (s *Server) postEvent(w http.ResponseWriter, r *http.Request) error {
	f, err := s.posted(r)
	if err != nil {
		return err
	}
	a, err := s.requestOf(f)
	if err != nil {
		return err
	}
	a.By = s.byWhom(r)
	if err := s.do(r, a); err != nil {
		return err
	}
	said := s.done(a)
	if !wantsHTML(r) {
		return writeJSON(w, http.StatusOK, fields{"said": said, "vessel": a.Vessel, "undo": s.lastTold(a)})
	}
	return s.leadTo(w, r, backTo(r), said)
}

// lastTold is the number of the event that a request has just become, which undoes it or gives
// it another time; 0 for none.
func (s *Server) lastTold(a request) int64 {
	var id int64
	for _, v := range s.opt.Live.Snapshot().Vessels {
		for _, e := range v.Events {
			if v.Vessel == a.Vessel && e.Kind == a.Kind {
				id = max(id, e.ID)
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

// do checks a request and hands it on.
func (s *Server) do(r *http.Request, a request) error {
	if err := a.check(); err != nil {
		return err
	}
	known := slices.ContainsFunc(s.opt.Live.Snapshot().Vessels, func(v Vessel) bool { return v.Vessel == a.Vessel })
	switch {
	case a.Kind == bake.EventJudged && a.RiseID != 0 && s.opt.History != nil: // the vessel of a past rise may be gone
		rise, err := s.opt.History.Rise(r.Context(), a.RiseID)
		if err != nil {
			return err
		}
		a.Vessel = rise.Vessel
	case !known && a.Kind != kindUndo && a.Kind != kindCorrect:
		return refuse("vessel.text", text.Values{"vessel": a.Vessel})
	}
	ctx, live := r.Context(), s.opt.Live
	switch a.Kind {
	case kindUndo:
		return live.Undo(ctx, a.Vessel, a.RiseID, a.EventID)
	case kindCorrect:
		return live.Correct(ctx, a.Vessel, a.RiseID, a.EventID, a.At)
	case kindAck, kindSnooze:
		return live.Answer(ctx, a.AlarmID, a.By, a.Snooze)
	case bake.EventPlan:
		a.Wish.Vessel = a.Vessel
		chosen, err := s.opt.Planner.Choose(ctx, *a.Wish)
		if err != nil {
			return err
		}
		a.Plan = chosen
	}
	if !a.FirstAt.IsZero() {
		a.RiseID = 0 // it may have begun, or ended, with what was told before
	}
	err := live.Do(ctx, a.Event)
	var no Refusal
	if !errors.As(err, &no) || no.Ask == nil || a.FirstAt.IsZero() {
		return err
	}
	if a.FirstAt.After(s.opt.Now()) || !a.At.IsZero() && a.FirstAt.After(a.At) {
		return refuse("not_before", text.Values{"at": a.FirstAt})
	}
	if err := live.Do(ctx, bake.Event{Vessel: a.Vessel, At: a.FirstAt, By: a.By, Kind: no.Ask.Kind, Detail: bake.Detail{StepID: no.Ask.StepID}}); err != nil {
		return err
	}
	return live.Do(ctx, a.Event)
}

// askBack asks for what must have happened before an event and was not told: with its
// answer the event is sent again.
func (s *Server) askBack(w http.ResponseWriter, r *http.Request, no Refusal) {
	at := no.Ask.At.In(s.words.Locale().Zone).Format(formTime)
	p := messagePage{Heading: s.say("ask."+string(no.Ask.Kind), nil), Back: "/", AskAt: at, Again: r.PostForm}
	if wantsHTML(r) {
		s.message(w, r, http.StatusConflict, p)
		return
	}
	said, _ := why(s.speaker(r), no)
	Problem{Title: "not done", Status: http.StatusConflict, Detail: said,
		Ask: &askJSON{Kind: string(no.Ask.Kind), At: stamp(no.Ask.At, s.zone()), Say: p.Heading, Label: s.say("ask.both", nil), Field: at}}.write(w)
}

// byWhom names the asker for the record.
func (s *Server) byWhom(r *http.Request) string {
	if t := s.ask(r).token; t != nil {
		return t.Name
	}
	return "page"
}

// leadTo leads a browser on and says something there.
func (s *Server) leadTo(w http.ResponseWriter, r *http.Request, to, said string) error {
	s.setCookie(w, r, flashCookie, url.QueryEscape(said), 60)
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// flash takes the answer to the last event out of its cookie.
func (s *Server) flash(w http.ResponseWriter, r *http.Request) string {
	v := cookieValue(r, flashCookie)
	if v == "" {
		return ""
	}
	s.setCookie(w, r, flashCookie, "", -1)
	text, err := url.QueryUnescape(v)
	if err != nil || len(text) > 300 {
		return ""
	}
	return text
}

// requestOf reads a request from a form. ago is how many minutes back it happened.
func (s *Server) requestOf(f *form) (request, error) {
	a := request{EventID: f.whole("undo"), AlarmID: f.text("alarm"), FirstAt: f.instant("first_at"),
		Event: bake.Event{Kind: bake.EventKind(f.text("kind")), Vessel: f.text("vessel"), RiseID: f.whole("rise"), At: f.instant("at"), Detail: bake.Detail{
			Batch: f.text("batch"), TargetPercent: f.number("target"), SeenPercent: f.number("seen"), StepID: f.text("step"),
			Answer: f.text("answer"), Note: f.text("note"), Outcome: f.text("outcome"), OvenSpring: f.text("oven_spring")}}}
	if feed := (bake.Feed{StarterG: f.number("starter_g"), FlourG: f.number("flour_g"), WaterG: f.number("water_g")}); feed != (bake.Feed{}) {
		a.Feed = &feed
	}
	switch a.Kind {
	case bake.EventWarmth:
		c := f.celsius("dough")
		a.DoughC = &c
	case bake.EventAway: // from now when the form leaves it out
		a.Away = &bake.Span{From: f.now}
		if from := f.moment("away_from", f.now); !from.IsZero() {
			a.Away.From = from
		}
		a.Away.Until = f.moment("away_until", a.Away.From)
	case bake.EventLook:
		if f.text("seen") == "" {
			a.SeenPercent = math.NaN() // which cannot have been seen
		}
	case kindSnooze:
		a.Snooze = time.Duration(f.number("minutes")*float64(time.Minute) + f.number("seconds")*float64(time.Second))
	case bake.EventPlan:
		w, err := s.chosenRequest(f.Values)
		if err != nil {
			return a, err
		}
		a.Wish = &w
	}
	if ago := f.whole("ago"); ago > 0 && a.At.IsZero() {
		a.At = f.now.Add(-time.Duration(ago) * time.Minute)
	}
	return a, f.err
}

// The lengths of texts in characters.
const (
	maxNote  = 2000
	maxShort = 200
)

// check refuses a request that cannot make sense, whatever is the case; what an event
// needs, bake.Session checks.
func (a request) check() error {
	if !slices.Contains(kinds(), a.Kind) {
		return refuse("kind", text.Values{"found": string(a.Kind), "kinds": fmt.Sprint(kinds())})
	}
	for _, t := range []string{a.Batch, a.Answer, a.StepID, a.AlarmID, a.OvenSpring} {
		if utf8.RuneCountInString(t) > maxShort {
			return refuse("long", text.Values{"n": maxShort})
		}
	}
	switch {
	case utf8.RuneCountInString(a.Note) > maxNote:
		return refuse("long", text.Values{"n": maxNote})
	case a.Feed != nil && a.Kind != bake.EventFed && a.Kind != bake.EventStart:
		return refuse("feed", nil)
	case a.Kind == bake.EventNote && a.Note == "":
		return refuse("note", nil)
	case a.Kind == bake.EventJudged && !slices.Contains([]string{"", "under", "right", "over"}, a.Outcome):
		return refuse("outcome", text.Values{"found": a.Outcome})
	case a.Kind == bake.EventPlan && (a.Wish == nil || a.Wish.Way == ""):
		return Refusal{Said: bake.Said{Key: "refused.no_plan"}}
	case a.Kind == kindCorrect && (a.EventID == 0 || a.At.IsZero()), (a.Kind == kindAck || a.Kind == kindSnooze) && a.AlarmID == "", a.Kind.Marks() && a.StepID == "":
		return refuse("which", nil)
	case a.Kind == kindSnooze && (a.Snooze < time.Minute || a.Snooze > 24*time.Hour):
		return refuse("snooze", nil)
	}
	return nil
}
