package web

import (
	"net/http"
	"strconv"
)

// apiPhotos lists the pictures of a rise.
func (s *Server) apiPhotos(w http.ResponseWriter, r *http.Request) {
	x, ok := s.rise(w, r)
	if !ok {
		return
	}
	photos, err := s.opt.History.Photos(r.Context(), x.ID)
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	out := []map[string]any{}
	for _, p := range photos {
		out = append(out, map[string]any{"id": p.ID, "at": p.At.In(s.zone()), "type": p.Type, "bytes": p.Size})
	}
	s.taggedJSON(w, r, map[string]any{"photos": out})
}

func photoID(r *http.Request) int64 {
	id, _ := strconv.ParseInt(r.PathValue("photo"), 10, 64) // 0 is no photo
	return id
}

// apiPhoto serves one picture.
func (s *Server) apiPhoto(w http.ResponseWriter, r *http.Request) {
	p, err := s.opt.History.Photo(r.Context(), photoID(r))
	if err != nil {
		s.historyFailed(w, r, err)
		return
	}
	fileOnly(w.Header())
	tagged(w, r, p.Type, p.Bytes)
}

// deletePhoto removes one picture that is there.
func (s *Server) deletePhoto(w http.ResponseWriter, r *http.Request) {
	_, err := s.opt.History.Photo(r.Context(), photoID(r))
	if err == nil {
		err = s.opt.History.DeletePhoto(r.Context(), photoID(r))
	}
	switch {
	case err != nil:
		s.historyFailed(w, r, err)
	case wantsHTML(r):
		http.Redirect(w, r, "/rises/"+strconv.FormatInt(s.pathID(r), 10), http.StatusSeeOther)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}
