package web

import (
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"strconv"

	"tidemark/bake"
	"tidemark/web/past"
)

// comparePage lays rises over each other.
type comparePage struct {
	frame
	Names        []string
	IDs          []int64
	Equivalent   bool
	ByClock      string
	ByEquivalent string
	Wide, Narrow template.HTML
	Differences  []past.Difference
}

// pageCompare compares the rises named in the query.
func (s *Server) pageCompare(w http.ResponseWriter, r *http.Request) {
	recs, err := s.compared(r)
	if err != nil {
		s.compareFailed(w, r, err)
		return
	}
	p := comparePage{frame: s.frame(w, r, s.say("compare", nil), "rises"), Equivalent: r.URL.Query().Get("by") == "equivalent"}
	var rises []bake.Rise
	q := url.Values{}
	for _, rec := range recs {
		rises = append(rises, rec.Rise)
		p.Names, p.IDs = append(p.Names, past.Name(rec.Rise, s.words)), append(p.IDs, rec.Rise.ID)
		q.Add("id", strconv.FormatInt(rec.Rise.ID, 10))
	}
	p.ByClock = "/compare?" + q.Encode()
	q.Set("by", "equivalent")
	p.ByEquivalent = "/compare?" + q.Encode()
	o := past.Overlay(recs, p.Equivalent, s.words)
	p.Wide, p.Narrow = bothSizes(o, "c")
	p.Differences = past.Differences(rises, s.words)
	s.render(w, http.StatusOK, "compare", p)
}

// compareFailed shows a refusal on a page of its own.
func (s *Server) compareFailed(w http.ResponseWriter, r *http.Request, err error) {
	var no Refusal
	if errors.As(err, &no) {
		s.refusePage(w, r, http.StatusBadRequest, s.say("refused.compare", nil), no.Why)
		return
	}
	s.historyFailed(w, r, err)
}

// compared reads the rises named by id in a query, each once.
func (s *Server) compared(r *http.Request) ([]past.Record, error) {
	ids := r.URL.Query()["id"]
	seen := map[int64]bool{}
	var recs []past.Record
	for _, v := range ids {
		id, err := strconv.ParseInt(v, 10, 64)
		if err != nil || id <= 0 {
			return nil, Refuse("%q is not the number of a rise.", v)
		}
		if seen[id] {
			continue
		}
		seen[id] = true
		if len(seen) > maxCompared {
			return nil, Refuse("At most %d rises can be laid over each other; choose fewer.", maxCompared)
		}
		rec, err := s.readRecord(r.Context(), id, comparedPoints)
		if err != nil {
			return nil, err
		}
		recs = append(recs, rec)
	}
	if len(recs) == 0 {
		return nil, Refuse("No rise was chosen; tick two or more in the list.")
	}
	return recs, nil
}
