package web

import (
	"bytes"
	"context"
	"html/template"
	"net/http"
	"net/url"
	"slices"
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
	history.Page
	Query    url.Values
	Vessels  []string
	Starters []past.Starter
	Judged   past.Judged
	Taught   map[string]int // by vessel, from how many rises
}

// Filtered reports whether some were asked for.
func (p risesPage) Filtered() bool {
	return p.Query.Get("vessel")+p.Query.Get("outcome")+p.Query.Get("q")+p.Query.Get("from")+p.Query.Get("until") != ""
}

// Older is the address of the next page.
func (p risesPage) Older() string {
	p.Query.Set("cursor", p.Next)
	return "/rises?" + p.Query.Encode()
}

// pageRises lists past rises.
func (s *Server) pageRises(w http.ResponseWriter, r *http.Request) error {
	p := risesPage{Query: r.URL.Query()}
	f, err := s.filter(p.Query)
	if err != nil {
		return err
	}
	if p.Page, err = s.opt.History.Rises(r.Context(), f); err != nil {
		return err
	}
	if p.Vessels, err = s.opt.History.Vessels(r.Context()); err != nil {
		return err
	}
	if err := s.lookBack(r.Context(), &p); err != nil {
		return err
	}
	p.frame = s.frame(w, r, s.say("past", nil), "rises")
	return s.render(w, http.StatusOK, "rises", p)
}

// lookBack adds what the last rises teach, to the unfiltered first page.
func (s *Server) lookBack(ctx context.Context, p *risesPage) error {
	if p.Filtered() {
		return nil
	}
	page, err := s.opt.History.Rises(ctx, history.Filter{Limit: 500})
	if err != nil {
		return err
	}
	p.Starters, p.Judged = past.Starters(page.Rises, s.words), past.JudgedOf(page.Rises, s.words)
	if s.opt.Upkeep != nil {
		p.Taught, err = s.opt.Upkeep.Taught(ctx)
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
	f := s.formOf(q)
	out := history.Filter{Vessel: f.Get("vessel"), Outcome: f.Get("outcome"), Text: f.Get("q"), Cursor: f.Get("cursor"),
		From: f.day("from", 0), Until: f.day("until", 1), Limit: f.between("limit", 30, 1, 500)}
	if !slices.Contains(append(bake.Outcomes(), "", "none"), out.Outcome) {
		f.fail("outcome", out.Outcome)
	}
	return out, f.err
}

// risePage is one past rise.
type risePage struct {
	frame
	past.Record
	Wide, Narrow template.HTML
	Foretold     []string // what was forecast when, and what came of it
	Photos       []history.Photo
	Judging      int64 // the last note or result, which can be taken back
}

// Change reports whether an event can be taken back, and its time corrected.
func (p risePage) Change(e bake.Event) bool {
	return p.CanAct && !p.Rise.UnderWay() && e.Kind.CanUndo() && !e.Kind.Starts() && !e.Ends() && e.Kind != bake.EventJudged
}

// pageRise shows one past rise in full.
func (s *Server) pageRise(w http.ResponseWriter, r *http.Request) error {
	rec, err := s.readRecord(r.Context(), pathID(r, "id"), chartRows)
	if err != nil {
		return err
	}
	p := risePage{frame: s.frame(w, r, past.Name(rec.Rise, s.words), "rises"), Record: rec}
	p.Wide, p.Narrow = bothSizes(past.Chart(rec, s.words), "r")
	kept, err := s.opt.History.Forecasts(r.Context(), rec.Rise.ID)
	if err != nil {
		return err
	}
	p.Foretold = past.Foretold(rec.Rise, kept, s.words)
	if p.CanAct {
		p.Judging = lastJudging(rec.Journal)
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

// readRecord reads a rise with at most n samples.
func (s *Server) readRecord(ctx context.Context, id int64, n int) (rec past.Record, err error) {
	if rec.Rise, err = s.opt.History.Rise(ctx, id); err != nil {
		return rec, err
	}
	if rec.Rows, err = s.opt.History.ThinRows(ctx, id, time.Time{}, time.Time{}, n); err != nil {
		return rec, err
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
	if _, _, err := receive(w, r, "photo", s.opt.PhotosMax, &body); err != nil {
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
