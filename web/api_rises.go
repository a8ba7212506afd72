package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"tidemark/bake"
	"tidemark/web/past"
)

// apiRises lists past rises, newest first.
func (s *Server) apiRises(w http.ResponseWriter, r *http.Request) {
	f, err := s.filter(r.URL.Query())
	if err != nil {
		problem(w, http.StatusBadRequest, "unusable filter", err.Error())
		return
	}
	page, err := s.opt.History.Rises(r.Context(), f)
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	rises := []past.RiseJSON{}
	for _, x := range page.Rises {
		rises = append(rises, past.Rise(x, s.zone()))
	}
	out := map[string]any{"rises": rises, "next": nil}
	if page.Next != "" {
		out["next"] = page.Next
	}
	s.taggedJSON(w, r, out)
}

// rise reads the rise a path names.
func (s *Server) rise(w http.ResponseWriter, r *http.Request) (bake.Rise, bool) {
	x, err := s.opt.History.Rise(r.Context(), s.pathID(r))
	if err != nil {
		s.historyFailed(w, r, err)
	}
	return x, err == nil
}

func (s *Server) apiRise(w http.ResponseWriter, r *http.Request) {
	if x, ok := s.rise(w, r); ok {
		s.taggedJSON(w, r, past.Rise(x, s.zone()))
	}
}

// apiSamples answers with a thinned curve: n samples, 500 if not said.
func (s *Server) apiSamples(w http.ResponseWriter, r *http.Request) {
	x, ok := s.rise(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	n := 500
	var err error
	if v := q.Get("n"); v != "" {
		if n, err = strconv.Atoi(v); err != nil || n < 4 || n > 5000 {
			problem(w, http.StatusBadRequest, "unusable number", fmt.Sprintf("n is %q; use 4 to 5000, or take samples.csv for all.", v))
			return
		}
	}
	from, err1 := s.when(q.Get("from"), 0)
	until, err2 := s.when(q.Get("until"), 1)
	if err := errors.Join(err1, err2); err != nil {
		problem(w, http.StatusBadRequest, "unusable time", err.Error())
		return
	}
	rows, err := s.opt.History.ThinRows(r.Context(), x.ID, from, until, n)
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	out := []past.SampleJSON{}
	for _, row := range rows {
		out = append(out, past.Sample(row, s.zone()))
	}
	s.taggedJSON(w, r, map[string]any{"samples": out})
}

// apiCSV streams all samples of a rise.
func (s *Server) apiCSV(w http.ResponseWriter, r *http.Request) {
	x, ok := s.rise(w, r)
	if !ok {
		return
	}
	attachment(w, "text/csv; charset=utf-8", x, "csv")
	rows, err := s.opt.History.Record(r.Context(), x.ID)
	if err != nil {
		s.cutOff(r, err)
	}
	if err := past.WriteCSV(w, rows, s.zone()); err != nil {
		s.cutOff(r, err)
	}
}

// apiExport streams a rise with all its samples as JSON.
func (s *Server) apiExport(w http.ResponseWriter, r *http.Request) {
	x, ok := s.rise(w, r)
	if !ok {
		return
	}
	attachment(w, "application/json", x, "json")
	rows, err := s.opt.History.Record(r.Context(), x.ID)
	if err != nil {
		s.cutOff(r, err)
	}
	if err := past.WriteJSON(w, x, rows, s.zone()); err != nil {
		s.cutOff(r, err)
	}
}

// cutOff ends an answer that is under way so that the client sees it is not
// whole.
func (s *Server) cutOff(r *http.Request, err error) {
	s.opt.Log.Warn("an export was not sent whole", "path", r.URL.Path, "error", err)
	panic(http.ErrAbortHandler)
}

// attachment names the file of an export and gives it time to be fetched.
func attachment(w http.ResponseWriter, typ string, x bake.Rise, ending string) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // not every writer has deadlines
	h := w.Header()
	h.Set("Content-Type", typ)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="rise-%d-%s.%s"`, x.ID, x.StartedAt.UTC().Format("2006-01-02"), ending))
}

func (s *Server) apiChart(w http.ResponseWriter, r *http.Request) {
	if rec, ok := s.record(w, r, chartRows); ok {
		s.sendChart(w, r, past.Chart(rec, s.words))
	}
}

// apiJournal lists what was done to a rise.
func (s *Server) apiJournal(w http.ResponseWriter, r *http.Request) {
	x, ok := s.rise(w, r)
	if !ok {
		return
	}
	events, err := s.opt.History.Events(r.Context(), x.ID)
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	out := []map[string]any{}
	for _, a := range events {
		out = append(out, map[string]any{"id": a.ID, "at": a.At.In(s.zone()), "kind": a.Kind, "by": a.By, "undone": !a.UndoneAt.IsZero()})
	}
	s.taggedJSON(w, r, map[string]any{"acts": out})
}
