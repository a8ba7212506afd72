package web

import (
	"fmt"
	"net/http"
	"strconv"
	"time"

	"tidemark/bake"
	"tidemark/web/past"
)

// apiRises lists past rises, newest first.
func (s *Server) apiRises(w http.ResponseWriter, r *http.Request) error {
	f, err := s.filter(r.URL.Query())
	if err != nil {
		return err
	}
	page, err := s.opt.History.Rises(r.Context(), f)
	if err != nil {
		return err
	}
	rises := []any{}
	for _, x := range page.Rises {
		rises = append(rises, past.Rise(x, s.zone()))
	}
	out := map[string]any{"rises": rises, "next": nil}
	if page.Next != "" {
		out["next"] = page.Next
	}
	return taggedJSON(w, r, out)
}

// rise reads the rise a path names.
func (s *Server) rise(r *http.Request) (bake.Rise, error) {
	return s.opt.History.Rise(r.Context(), pathID(r, "id"))
}

// pathID is a number in a path; 0 where it is none, which is no rise and no photo.
func pathID(r *http.Request, name string) int64 {
	id, _ := strconv.ParseInt(r.PathValue(name), 10, 64)
	return id
}

// ofRise answers with what is known of the rise a path names.
func (s *Server) ofRise(answer func(r *http.Request, x bake.Rise) (any, error)) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		x, err := s.rise(r)
		if err != nil {
			return err
		}
		out, err := answer(r, x)
		if err != nil {
			return err
		}
		return taggedJSON(w, r, out)
	}
}

func (s *Server) apiRise(_ *http.Request, x bake.Rise) (any, error) {
	return past.Rise(x, s.zone()), nil
}

// apiSamples answers with a thinned curve: n samples, 500 if not said.
func (s *Server) apiSamples(r *http.Request, x bake.Rise) (any, error) {
	f := s.formOf(r.URL.Query())
	n, from, until := f.between("n", 500, 4, 5000), f.day("from", 0), f.day("until", 1)
	if f.err != nil {
		return nil, f.err
	}
	rows, err := s.opt.History.ThinRows(r.Context(), x.ID, from, until, n)
	if err != nil {
		return nil, err
	}
	out := []any{}
	for _, row := range rows {
		out = append(out, past.Sample(row, s.zone()))
	}
	return fields{"samples": out}, nil
}

// apiCSV streams all samples of a rise.
func (s *Server) apiCSV(w http.ResponseWriter, r *http.Request) error {
	return s.export(w, r, "text/csv; charset=utf-8", "csv", func(_ bake.Rise, rows []bake.Recorded) error {
		return past.WriteCSV(w, rows, s.zone())
	})
}

// apiExport streams a rise with all its samples as JSON.
func (s *Server) apiExport(w http.ResponseWriter, r *http.Request) error {
	return s.export(w, r, "application/json", "json", func(x bake.Rise, rows []bake.Recorded) error {
		return past.WriteJSON(w, x, rows, s.zone())
	})
}

// export sends a rise as a file. One that breaks off is ended so that the client sees it is
// not whole.
func (s *Server) export(w http.ResponseWriter, r *http.Request, typ, ending string, write func(bake.Rise, []bake.Recorded) error) error {
	x, err := s.rise(r)
	if err != nil {
		return err
	}
	rows, err := s.opt.History.Record(r.Context(), x.ID)
	if err != nil {
		return err
	}
	attachment(w, typ, fmt.Sprintf("rise-%d-%s.%s", x.ID, x.StartedAt.UTC().Format("2006-01-02"), ending))
	if err := write(x, rows); err != nil {
		s.opt.Log.Warn("an export was not sent whole", "path", r.URL.Path, "error", err)
		panic(http.ErrAbortHandler)
	}
	return nil
}

// attachment names the file that is sent and gives it time to be fetched.
func attachment(w http.ResponseWriter, typ, name string) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // not every writer has deadlines
	h := w.Header()
	h.Set("Content-Type", typ)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
}

func (s *Server) apiChart(w http.ResponseWriter, r *http.Request) error {
	rec, err := s.readRecord(r.Context(), pathID(r, "id"), chartRows)
	if err != nil {
		return err
	}
	return s.sendChart(w, r, past.Chart(rec, s.words))
}

// apiJournal lists what was done to a rise.
func (s *Server) apiJournal(r *http.Request, x bake.Rise) (any, error) {
	events, err := s.opt.History.Events(r.Context(), x.ID)
	if err != nil {
		return nil, err
	}
	out := []fields{}
	for _, a := range events {
		out = append(out, fields{"id": a.ID, "at": a.At.In(s.zone()), "kind": a.Kind, "by": a.By, "undone": !a.UndoneAt.IsZero()})
	}
	return fields{"acts": out}, nil
}

// apiPhotos lists the pictures of a rise.
func (s *Server) apiPhotos(r *http.Request, x bake.Rise) (any, error) {
	photos, err := s.opt.History.Photos(r.Context(), x.ID)
	if err != nil {
		return nil, err
	}
	out := []fields{}
	for _, p := range photos {
		out = append(out, fields{"id": p.ID, "at": p.At.In(s.zone()), "type": p.Type, "bytes": p.Size})
	}
	return fields{"photos": out}, nil
}

// apiPhoto serves one picture.
func (s *Server) apiPhoto(w http.ResponseWriter, r *http.Request) error {
	p, err := s.opt.History.Photo(r.Context(), pathID(r, "photo"))
	if err != nil {
		return err
	}
	fileOnly(w.Header())
	return tagged(w, r, p.Type, p.Bytes)
}
