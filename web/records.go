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

// imported says what was done.
func (s *Server) imported(i Imported) string {
	if !i.Shape {
		return s.say("record.bare", nil)
	}
	return s.say("record.said", nil)
}

// importRecord takes an uploaded record in.
func (s *Server) importRecord(w http.ResponseWriter, r *http.Request) (Imported, error) {
	if !s.staged.busy.TryLock() {
		return Imported{}, refuse("busy", nil)
	}
	defer s.staged.busy.Unlock()
	u := upload{field: "record", limit: s.opt.RecordsMax}
	file, name, fields, err := s.spool(w, r, u, 2)
	if err != nil {
		return Imported{}, err
	}
	defer os.Remove(file) //nolint:errcheck // the folder is swept at the next start
	rec := Record{File: file, Name: filepath.Base(name), Vessel: fields["vessel"], Holds: estimator.Holds(fields["holds"])}
	if err := rec.check(); err != nil {
		return Imported{}, err
	}
	return s.opt.Upkeep.ImportRecord(r.Context(), rec)
}

// check refuses what cannot be the name or content of a vessel.
func (r Record) check() error {
	if r.Vessel == "" || utf8.RuneCountInString(r.Vessel) > 80 {
		return refuse("record_vessel", nil)
	}
	switch r.Holds {
	case "", estimator.Dough, estimator.Starter:
		return nil
	}
	return refuse("holds", text.Values{"found": string(r.Holds)})
}

// postRecord takes a record from the page in.
func (s *Server) postRecord(w http.ResponseWriter, r *http.Request) error {
	in, err := s.importRecord(w, r)
	if err != nil {
		return err
	}
	return s.leadTo(w, r, fmt.Sprintf("/rises/%d", in.RiseID), s.imported(in))
}
