package web

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/estimator"
)

// Record is a record to read into the history.
type Record struct {
	File   string // where it lies
	Name   string // what the sender calls it, for messages
	Vessel string
	Holds  estimator.Holds // empty: as the vessel of this name
}

// Imported is a record that was read in.
type Imported struct {
	RiseID int64
	// Shape says that the vessel is known, so that the rise in percent is too.
	Shape bool
}

// postRecord takes a record from the page in.
func (s *Server) postRecord(w http.ResponseWriter, r *http.Request) error {
	if !s.staged.busy.TryLock() {
		return refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	file, name, fields, err := s.spool(w, r, "record", s.opt.RecordsMax, 2)
	if err != nil {
		return err
	}
	defer os.Remove(file) //nolint:errcheck // the folder is swept at the next start
	rec := Record{File: file, Name: filepath.Base(name), Vessel: fields.Get("vessel"), Holds: estimator.Holds(fields.Get("holds"))}
	switch {
	case rec.Vessel == "" || utf8.RuneCountInString(rec.Vessel) > 80:
		return refuse("record_vessel", nil)
	case rec.Holds != "" && rec.Holds != estimator.Dough && rec.Holds != estimator.Starter:
		return refuse("holds", text.Values{"found": fields.Get("holds")})
	}
	in, err := s.opt.Upkeep.ImportRecord(r.Context(), rec)
	if err != nil {
		return err
	}
	said := "record.bare"
	if in.Shape {
		said = "record.said"
	}
	return s.leadTo(w, r, fmt.Sprintf("/rises/%d", in.RiseID), s.say(said, nil))
}
