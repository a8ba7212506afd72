package web

import (
	"context"
	"crypto/rand"
	"fmt"
	"html/template"
	"net/http"
	"sync"
	"time"

	"tidemark/alert/text"
	"tidemark/web/access"
)

// Server is the page and the API as one http.Handler. Make one with New.
type Server struct {
	opt      Options
	mux      *http.ServeMux
	handler  http.Handler
	tmpl     *template.Template
	words    *text.Localizer // the household's words
	english  *text.Localizer // the same in English
	assets   assets
	access   *access.Control
	parts    memo[bool, partsMessage]   // by whether the reader may act
	charts   memo[string, drawn]        // of the rises under way, by vessel
	sparks   memo[int64, template.HTML] // of past rises
	streams  streamCount
	photos   sync.Mutex
	recipeMu sync.Mutex // a change of the recipes is one
	staged   staged
	build    string // names the pages and their files, for streams
	run      string // names this run, for streams
	stop     context.CancelFunc
	stopped  context.Context
}

// New builds the server. It fails when Options lack what is needed or, were
// the built-in files damaged, when they cannot be read.
func New(opt Options) (*Server, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	s := &Server{opt: opt, mux: http.NewServeMux()}
	s.stopped, s.stop = context.WithCancel(context.Background())
	s.words = text.New(opt.Locale)
	opt.Locale.Language = ""
	s.english = text.New(opt.Locale)
	if s.assets, err = loadAssets(); err != nil {
		return nil, err
	}
	if s.tmpl, err = s.loadTemplates(); err != nil {
		return nil, err
	}
	if s.build, err = buildOf(s.assets); err != nil {
		return nil, err
	}
	s.run = rand.Text()[:8]
	if s.access, err = access.NewControl(context.Background(), opt.Settings, opt.Now); err != nil {
		return nil, err
	}
	sweepUploads(opt.UploadDir)
	s.routes()
	s.handler = s.guard(s.wall(s.mux))
	return s, nil
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// Close ends the event streams, so that http.Server.Shutdown does not wait for
// them.
func (s *Server) Close() error {
	s.stop()
	s.staged.put(stagedBackup{})
	return nil
}

// routes names every path.
func (s *Server) routes() {
	s.mux.HandleFunc("GET /{$}", s.read(s.pageNow))
	s.mux.HandleFunc("GET /kitchen", s.read(s.pageKitchen))
	s.mux.HandleFunc("GET /events", s.read(s.events))
	s.mux.HandleFunc("GET /service-worker.js", s.serviceWorker)
	s.mux.HandleFunc("/", s.pageNotFound)
	s.mux.HandleFunc("POST /act", s.change(s.postEvent))
	s.mux.HandleFunc("GET /healthz", s.healthz)
	s.mux.HandleFunc("GET /static/{name}", s.static)
	s.mux.HandleFunc("GET /favicon.ico", s.favicon)
	s.mux.HandleFunc("GET /manifest.webmanifest", s.manifest)
	if s.opt.Metrics != nil {
		s.mux.Handle("GET /metrics", s.need(access.Read, s.opt.Metrics.ServeHTTP))
	}
	s.mux.HandleFunc("GET /house", s.read(s.pageService))
	s.mux.HandleFunc("GET /unlock", s.serve(s.pageUnlock))
	s.mux.HandleFunc("GET /share/{token}", s.share)
	s.mux.HandleFunc("GET /recipe", s.read(s.pageRecipe))
	s.mux.HandleFunc("POST /recipe", s.change(s.postRecipe))
	s.mux.HandleFunc("POST /unlock", s.sameOrigin(s.postUnlock))
	s.mux.HandleFunc("POST /lock", s.change(s.postLock))
	s.mux.HandleFunc("POST /tokens", s.change(s.postToken))
	if s.opt.Again != nil {
		s.mux.HandleFunc("POST /again", s.change(s.postAgain))
	}
	s.apiRoutes()
	if s.opt.Setup != nil {
		s.setupRoutes()
	}
	if s.opt.Level != nil {
		s.levelRoutes()
	}
	if s.opt.Planner != nil {
		s.planRoutes()
	}
	if s.opt.History != nil {
		s.pastRoutes()
		if s.opt.Upkeep != nil {
			s.upkeepRoutes()
		}
	}
}

// pastRoutes names the paths that need a history.
func (s *Server) pastRoutes() {
	s.mux.HandleFunc("GET /rises", s.read(s.pageRises))
	s.mux.HandleFunc("GET /rises/{id}", s.read(s.pageRise))
	s.mux.HandleFunc("POST /rises/{id}/remove", s.change(s.postRemoveRise))
	s.mux.HandleFunc("POST /rises/{id}/judgement", s.change(s.putJudgement))
	s.mux.HandleFunc("POST /rises/{id}/judgement/undo", s.change(s.dropJudgement))
	s.mux.HandleFunc("POST /rises/{id}/photos", s.change(s.postPhoto))
	s.mux.HandleFunc("POST /rises/{id}/photos/{photo}/delete", s.change(s.deletePhoto))
	s.mux.HandleFunc("GET /compare", s.read(s.pageCompare))
}

// upkeepRoutes names the paths that exchange or fill the history.
func (s *Server) upkeepRoutes() {
	restore := func(h handler) http.HandlerFunc { return s.people(s.sameOrigin(h)) }
	s.mux.HandleFunc("POST /rises/unlearn", s.change(s.postUnlearn))
	s.mux.HandleFunc("POST /house/records", s.change(s.postRecord))
	s.mux.HandleFunc("POST /house/restores", restore(s.postRestore))
	s.mux.HandleFunc("GET /house/restores/{offer}", s.people(s.serve(s.pageRestore)))
	s.mux.HandleFunc("POST /house/restores/{offer}", restore(s.postTakeRestore))
}

// healthz answers whether the service watches: 200 while it does, with its
// troubles in words. A dead sensor is no reason for 503: the service lives.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	snap := s.opt.Live.Snapshot()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Tidemark-Run", s.run) // tells one start from the next
	fmt.Fprintln(w, "ok: watching", len(snap.Vessels), "vessels")
}

// slowTime bounds the fetching of a whole export or backup over a slow link.
const slowTime = 30 * time.Minute

// writeTimeout bounds one write to a client that reads slowly.
const writeTimeout = 10 * time.Second
