package web

import (
	"bytes"
	"context"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/history"
	"tidemark/web/past"
)

// chartRows is how many samples a chart of a past rise gets.
const chartRows = 1000

// maxCompared is how many rises can be laid over each other.
const maxCompared = 20

// risesPage is the list of past rises.
type risesPage struct {
	frame
	Rises    []riseLine
	Older    string // query of the next page; empty on the last
	Vessels  []string
	Vessel   string
	Outcome  string
	Text     string
	From     string
	Until    string
	Filtered bool
	Starters []past.Starter
	Judged   past.Judged
	Taught   map[string]string // by vessel, in words
}

type riseLine struct {
	ID             int64
	Name, Sentence string
	Curve          template.HTML
	Demo           bool
}

// pageRises lists past rises.
func (s *Server) pageRises(w http.ResponseWriter, r *http.Request) error {
	f, err := s.filter(r.URL.Query())
	if err != nil {
		return err
	}
	page, err := s.opt.History.Rises(r.Context(), f)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	p := risesPage{frame: s.frame(w, r, s.say("past", nil), "rises"), Vessel: f.Vessel, Outcome: f.Outcome, Text: f.Text,
		From: q.Get("from"), Until: q.Get("until"), Filtered: f.Vessel+f.Outcome+f.Text+q.Get("from")+q.Get("until") != ""}
	if p.Vessels, err = s.opt.History.Vessels(r.Context()); err != nil {
		return err
	}
	for _, x := range page.Rises {
		line := riseLine{ID: x.ID, Name: past.Name(x, s.words), Sentence: past.Sentence(x, s.words), Demo: x.Demo && !s.opt.Demo, Curve: s.spark(r.Context(), x)}
		p.Rises = append(p.Rises, line)
	}
	if page.Next != "" {
		q.Set("cursor", page.Next)
		p.Older = "/rises?" + q.Encode()
	}
	if err := s.lookBack(r.Context(), &p); err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "rises", p)
}

// lookBack adds what the last rises teach, to the unfiltered first page.
func (s *Server) lookBack(ctx context.Context, p *risesPage) error {
	if p.Filtered {
		return nil
	}
	page, err := s.opt.History.Rises(ctx, history.Filter{Limit: 500})
	if err != nil {
		return err
	}
	p.Starters, p.Judged = past.Starters(page.Rises, s.words), past.JudgedOf(page.Rises, s.words)
	if s.opt.Upkeep == nil {
		return nil
	}
	taught, err := s.opt.Upkeep.Taught(ctx)
	p.Taught = map[string]string{}
	for vessel, n := range taught {
		p.Taught[vessel] = s.say("past.taught", text.Values{"vessel": vessel, "rises": s.words.SayN("past.rises", n, nil)})
	}
	return err
}

// postUnlearn forgets what the past rises of a vessel taught.
func (s *Server) postUnlearn(w http.ResponseWriter, r *http.Request) error {
	if err := s.opt.Upkeep.Unlearn(r.Context(), r.PostFormValue("vessel")); err != nil {
		return err
	}
	http.Redirect(w, r, "/rises", http.StatusSeeOther)
	return nil
}

// filter reads a query. Days are the household's; until is the last day shown.
func (s *Server) filter(q url.Values) (history.Filter, error) {
	f := history.Filter{Vessel: q.Get("vessel"), Outcome: q.Get("outcome"), Text: q.Get("q"), Cursor: q.Get("cursor"), Limit: 30}
	var err error
	if f.From, err = s.when(q.Get("from"), 0); err != nil {
		return f, err
	}
	if f.Until, err = s.when(q.Get("until"), 1); err != nil {
		return f, err
	}
	if v := q.Get("limit"); v != "" {
		if f.Limit, err = strconv.Atoi(v); err != nil || f.Limit < 1 || f.Limit > 500 {
			return f, refuse("number", text.Values{"found": v})
		}
	}
	switch f.Outcome {
	case "", "under", "right", "over", "none":
	default:
		return f, refuse("outcome", text.Values{"found": f.Outcome})
	}
	return f, nil
}

// when reads a day of the household or a moment. A day gets days added.
func (s *Server) when(v string, days int) (time.Time, error) {
	if v == "" {
		return time.Time{}, nil
	}
	if t, err := time.ParseInLocation("2006-01-02", v, s.zone()); err == nil {
		return t.AddDate(0, 0, days), nil
	}
	t, err := time.Parse(time.RFC3339, v)
	if err != nil {
		return t, refuse("day", text.Values{"found": v})
	}
	return t, nil
}

// risePage is one past rise.
type risePage struct {
	frame
	ID           int64
	Name         string
	Sentence     string
	DemoRise     bool
	Wide, Narrow template.HTML
	Facts        []past.Fact
	Foretold     []string // what was forecast when, and what came of it
	Journal      []eventLine
	Photos       []history.Photo
	Outcome      string
	OvenSpring   string
	Note         string
	Vessel       string
}

type eventLine struct {
	When, Word, By string
	Undone         bool
	UndoID         int64 // of the last note or result, which can be taken back
	ID             int64
	Change         bool   // its time can be corrected, and it can be taken back
	Clock          string // for the field that corrects it
}

// foretold is what was forecast of a past rise, in sentences.
func (s *Server) foretold(ctx context.Context, r bake.Rise) ([]string, error) {
	kept, err := s.opt.History.Forecasts(ctx, r.ID)
	return past.Foretold(r, kept, s.words), err
}

// pageRise shows one past rise in full.
func (s *Server) pageRise(w http.ResponseWriter, r *http.Request) error {
	rec, err := s.readRecord(r.Context(), pathID(r, "id"), 0)
	if err != nil {
		return err
	}
	p := risePage{frame: s.frame(w, r, past.Name(rec.Rise, s.words), "rises"), ID: rec.Rise.ID, Name: past.Name(rec.Rise, s.words),
		Sentence: past.Sentence(rec.Rise, s.words), DemoRise: rec.Rise.Demo && !s.opt.Demo, Vessel: rec.Rise.Vessel, Outcome: rec.Rise.Outcome, OvenSpring: rec.Rise.OvenSpring, Note: rec.Rise.Note}
	if p.Wide, p.Narrow, err = s.pastChart(r.Context(), rec); err != nil {
		return err
	}
	p.Facts = past.Facts(rec.Rise, s.words)
	if p.Foretold, err = s.foretold(r.Context(), rec.Rise); err != nil {
		return err
	}
	last, _ := lastJudging(rec.Journal)
	for _, a := range rec.Journal {
		line := eventLine{When: s.words.At(rec.Rise.StartedAt).Moment(a.At), Word: s.kindWord(string(a.Kind)), By: s.byName(a.By), Undone: !a.UndoneAt.IsZero(), ID: a.ID,
			Change: p.CanAct && !rec.Rise.UnderWay() && a.Kind.CanUndo() && !a.Kind.Starts() && !a.Ends() && a.Kind != bake.EventJudged, Clock: a.At.In(s.zone()).Format(formTime)}
		if a.ID == last.ID && p.CanAct {
			line.UndoID = a.ID
		}
		p.Journal = append(p.Journal, line)
	}
	if p.Photos, err = s.opt.History.Photos(r.Context(), rec.Rise.ID); err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "rise", p)
}

// postRemoveRise takes a past rise out of the history.
func (s *Server) postRemoveRise(w http.ResponseWriter, r *http.Request) error {
	if err := s.opt.Live.RemoveRise(r.Context(), pathID(r, "id")); err != nil {
		return err
	}
	return s.leadTo(w, r, "/rises", s.say("past.removed", nil))
}

// pastChart draws a past rise in both sizes.
func (s *Server) pastChart(ctx context.Context, rec past.Record) (wide, narrow template.HTML, err error) {
	if rec.Rows, err = s.opt.History.ThinRows(ctx, rec.Rise.ID, time.Time{}, time.Time{}, chartRows); err != nil {
		return "", "", err
	}
	wide, narrow = bothSizes(past.Chart(rec, s.words), "r")
	return wide, narrow, nil
}

// readRecord reads a rise with at most n samples; 0 is none.
func (s *Server) readRecord(ctx context.Context, id int64, n int) (past.Record, error) {
	var rec past.Record
	var err error
	if rec.Rise, err = s.opt.History.Rise(ctx, id); err != nil {
		return rec, err
	}
	if n > 0 {
		if rec.Rows, err = s.opt.History.ThinRows(ctx, id, time.Time{}, time.Time{}, n); err != nil {
			return rec, err
		}
	}
	rec.Journal, err = s.opt.History.Events(ctx, id)
	return rec, err
}

// comparedPoints is how many points a compared curve has at most.
const comparedPoints = 400

// postPhoto keeps a picture of a result.
func (s *Server) postPhoto(w http.ResponseWriter, r *http.Request) error {
	id, err := s.keepPhoto(w, r)
	if err != nil {
		return err
	}
	if !wantsHTML(r) {
		w.Header().Set("Location", "/api/v1/photos/"+strconv.FormatInt(id, 10))
		return writeJSON(w, http.StatusCreated, map[string]int64{"id": id})
	}
	http.Redirect(w, r, "/rises/"+r.PathValue("id"), http.StatusSeeOther)
	return nil
}

// keepPhoto checks, cleans and stores the picture of an upload.
func (s *Server) keepPhoto(w http.ResponseWriter, r *http.Request) (int64, error) {
	rise, err := s.rise(r)
	if err != nil {
		return 0, err
	}
	s.photos.Lock() // one picture at a time bounds the memory
	defer s.photos.Unlock()
	have, err := s.opt.History.Photos(r.Context(), rise.ID)
	if err != nil {
		return 0, err
	}
	if len(have) >= maxPhotos {
		return 0, refuse("photos", text.Values{"n": len(have)})
	}
	var body bytes.Buffer
	if _, _, err := (upload{field: "photo", limit: s.opt.PhotosMax}).read(w, r, &body); err != nil {
		return 0, err
	}
	clean, err := cleanPhoto(body.Bytes())
	if err != nil {
		return 0, err
	}
	return s.opt.History.AddPhoto(r.Context(), history.Photo{RiseID: rise.ID, At: s.opt.Now(), Type: "image/jpeg", Bytes: clean, Size: int64(len(clean))})
}

// maxPhotos is how many pictures a rise can have.
const maxPhotos = 12

// deletePhoto removes one picture that is there.
func (s *Server) deletePhoto(w http.ResponseWriter, r *http.Request) error {
	p, err := s.opt.History.Photo(r.Context(), pathID(r, "photo"))
	if err == nil {
		err = s.opt.History.DeletePhoto(r.Context(), p.ID)
	}
	switch {
	case err != nil:
		return err
	case wantsHTML(r):
		http.Redirect(w, r, "/rises/"+r.PathValue("id"), http.StatusSeeOther)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
	return nil
}
