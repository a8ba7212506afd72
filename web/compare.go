package web

import (
	"html/template"
	"net/http"
	"net/url"
	"strconv"

	"tidemark/alert/text"
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
func (s *Server) pageCompare(w http.ResponseWriter, r *http.Request) error {
	recs, err := s.compared(r)
	if err != nil {
		return err
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
	return s.render(w, http.StatusOK, "compare", p)
}

// compared reads the rises named by id in a query, each once.
func (s *Server) compared(r *http.Request) ([]past.Record, error) {
	ids := r.URL.Query()["id"]
	seen := map[int64]bool{}
	var recs []past.Record
	for _, v := range ids {
		id, err := strconv.ParseInt(v, 10, 64)
		if err != nil || id <= 0 {
			return nil, refuse("rise_number", text.Values{"found": v})
		}
		if seen[id] {
			continue
		}
		seen[id] = true
		if len(seen) > maxCompared {
			return nil, refuse("compared", text.Values{"n": maxCompared})
		}
		rec, err := s.readRecord(r.Context(), id, comparedPoints)
		if err != nil {
			return nil, err
		}
		recs = append(recs, rec)
	}
	if len(recs) == 0 {
		return nil, refuse("compared_none", nil)
	}
	return recs, nil
}
