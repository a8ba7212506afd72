package web

import (
	"bytes"
	"crypto/sha256"
	_ "embed" // for the API's description
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web/access"
	"tidemark/web/chart"
)

//go:embed openapi.json
var openapi []byte

// apiRoutes names the paths of the API.
func (s *Server) apiRoutes() {
	const v1 = "/api/v1"
	s.mux.HandleFunc("GET "+v1+"/openapi.json", s.read(s.apiSpec))
	s.mux.HandleFunc("GET "+v1+"/vessels", s.read(s.apiVessels))
	s.mux.HandleFunc("GET "+v1+"/vessels/{name}", s.read(s.apiVessel))
	s.mux.HandleFunc("GET "+v1+"/vessels/{name}/chart.svg", s.read(s.apiLiveChart))
	s.mux.HandleFunc("GET "+v1+"/vessels/{name}/chart.png", s.read(s.apiLiveChart))
	s.mux.HandleFunc("POST "+v1+"/vessels/{name}/acts", s.change(s.apiEvent))
	s.mux.HandleFunc("GET "+v1+"/events", s.read(s.apiEvents))
	s.mux.HandleFunc(v1+"/", func(w http.ResponseWriter, _ *http.Request) {
		problem(w, http.StatusNotFound, "no such address", "The API has no such address; see /api/v1/openapi.json.")
	})
	if s.opt.History == nil {
		return
	}
	s.mux.HandleFunc("GET "+v1+"/rises", s.read(s.apiRises))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}", s.read(s.ofRise(s.apiRise)))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/samples", s.read(s.ofRise(s.apiSamples)))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/samples.csv", s.read(s.apiCSV))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/export.json", s.read(s.apiExport))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/chart.svg", s.read(s.apiChart))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/chart.png", s.read(s.apiChart))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/acts", s.read(s.ofRise(s.apiJournal)))
	s.mux.HandleFunc("PUT "+v1+"/rises/{id}/judgement", s.change(s.putJudgement))
	s.mux.HandleFunc("DELETE "+v1+"/rises/{id}/judgement", s.change(s.dropJudgement))
	s.mux.HandleFunc("GET "+v1+"/rises/{id}/photos", s.read(s.ofRise(s.apiPhotos)))
	s.mux.HandleFunc("POST "+v1+"/rises/{id}/photos", s.change(s.postPhoto))
	s.mux.HandleFunc("GET "+v1+"/photos/{photo}", s.read(s.apiPhoto))
	s.mux.HandleFunc("DELETE "+v1+"/photos/{photo}", s.change(s.deletePhoto))
	s.mux.HandleFunc("GET "+v1+"/backup", s.need(access.Backup, s.serve(s.backup)))
}

// tagged answers with a body and its ETag, or 304 when the client has it.
func tagged(w http.ResponseWriter, r *http.Request, typ string, body []byte) error {
	w.Header().Set("ETag", fmt.Sprintf(`"%x"`, sha256.Sum256(body)))
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Set("Content-Type", typ)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
	return nil
}

// taggedJSON answers with a JSON value and its ETag.
func taggedJSON(w http.ResponseWriter, r *http.Request, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return tagged(w, r, "application/json", append(body, '\n'))
}

func (s *Server) apiSpec(w http.ResponseWriter, r *http.Request) error {
	return tagged(w, r, "application/json", openapi)
}

func (s *Server) vessels(snap Snapshot) map[string]any {
	out := []any{}
	for _, v := range snap.Vessels {
		out = append(out, vesselOf(v, s.glance(snap, v, true), s.words))
	}
	return map[string]any{"at": snap.At.In(s.zone()), "vessels": out}
}

func (s *Server) apiVessels(w http.ResponseWriter, r *http.Request) error {
	return taggedJSON(w, r, s.vessels(s.opt.Live.Snapshot()))
}

// vessel finds the vessel a path names.
func (s *Server) vessel(r *http.Request) (Snapshot, Vessel, error) {
	snap := s.opt.Live.Snapshot()
	for _, v := range snap.Vessels {
		if v.Vessel == r.PathValue("name") {
			return snap, v, nil
		}
	}
	return snap, Vessel{}, missing{"refused.vessel", text.Values{"vessel": r.PathValue("name")}}
}

func (s *Server) apiVessel(w http.ResponseWriter, r *http.Request) error {
	snap, v, err := s.vessel(r)
	if err != nil {
		return err
	}
	return taggedJSON(w, r, vesselOf(v, s.glance(snap, v, true), s.words))
}

// apiEvents streams the state of all vessels.
func (s *Server) apiEvents(w http.ResponseWriter, r *http.Request) error {
	return s.stream(w, r, "vessels", func(snap Snapshot) any { return s.vessels(snap) })
}

// apiLiveChart draws the rise under way.
func (s *Server) apiLiveChart(w http.ResponseWriter, r *http.Request) error {
	snap, v, err := s.vessel(r)
	if err != nil {
		return err
	}
	curve, err := s.opt.Live.Curve(r.Context(), v.Vessel)
	if err != nil {
		return err
	}
	c, _ := s.liveChart(r.Context(), v, curve, snap.At)
	return s.sendChart(w, r, c)
}

// sendChart answers with a chart in the form the path ends in.
func (s *Server) sendChart(w http.ResponseWriter, r *http.Request, c chart.Chart) error {
	c.Width, c.Height = chart.PushWidth, chart.PushHeight
	var b bytes.Buffer
	typ, err := "image/svg+xml", error(nil)
	if strings.HasSuffix(r.URL.Path, ".png") {
		typ, err = "image/png", chart.PNG(&b, c)
	} else {
		err = chart.SVG(&b, c, chart.Standalone)
		fileOnly(w.Header())
	}
	if err != nil {
		return err
	}
	return tagged(w, r, typ, b.Bytes())
}

// fileOnly lets a file style itself and nothing else, should a browser open it.
func fileOnly(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
}

// unreadable is a body that cannot be read.
func unreadable(err error) error {
	return Problem{Title: "unreadable JSON", Status: http.StatusBadRequest, Detail: err.Error()}
}

// readJSON reads a JSON body strictly.
func readJSON(r *http.Request, into any) error {
	if typ, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || typ != "application/json" && !strings.HasSuffix(typ, "+json") {
		return Problem{Title: "not JSON", Status: http.StatusUnsupportedMediaType, Detail: "Send the body as application/json."}
	}
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	d.UseNumber()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("there is more than one value")
		}
	}
	var big *http.MaxBytesError
	if err == nil || errors.As(err, &big) {
		return err
	}
	return unreadable(err)
}

// apiEvent does what the body asks for.
func (s *Server) apiEvent(w http.ResponseWriter, r *http.Request) error {
	_, v, err := s.vessel(r)
	if err != nil {
		return err
	}
	var in map[string]any
	if err := readJSON(r, &in); err != nil {
		return err
	}
	fields := url.Values{}
	if err := flatten(in, "", fields); err != nil {
		return unreadable(err)
	}
	a, err := s.requestOf(s.formOf(fields))
	switch {
	case a.Kind == bake.EventJudged:
		return Problem{Title: "not done", Status: http.StatusConflict, Detail: "A judgement belongs to a rise: PUT it to /api/v1/rises/{id}/judgement."}
	case err != nil:
		if said, ok := why(s.speaker(r), err); ok {
			err = Problem{Title: "unusable request", Status: http.StatusBadRequest, Detail: said}
		}
		return err
	}
	a.Vessel, a.By = v.Vessel, s.byWhom(r)
	if err := s.do(r, a); err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]string{"said": s.done(a)})
}
