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
	Rises        []bake.Rise
	Query        url.Values
	Wide, Narrow template.HTML
	Differences  []past.Difference
}

// By is the address of the same by the clock or by equivalent hours.
func (p comparePage) By(by string) string {
	return "/compare?" + url.Values{"id": p.Query["id"], "by": {by}}.Encode()
}

// pageCompare compares the rises named in the query.
func (s *Server) pageCompare(w http.ResponseWriter, r *http.Request) error {
	recs, err := s.compared(r)
	if err != nil {
		return err
	}
	p := comparePage{frame: s.frame(w, r, s.say("compare", nil), "rises"), Query: r.URL.Query()}
	for _, rec := range recs {
		p.Rises = append(p.Rises, rec.Rise)
	}
	p.Wide, p.Narrow = bothSizes(past.Overlay(recs, p.Query.Get("by") == "equivalent", s.words), "c")
	p.Differences = past.Differences(p.Rises, s.words)
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
