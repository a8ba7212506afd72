package web

import (
	"fmt"
	"net/http"
	"strings"
)

// manifest lets a phone keep the page on its home screen, as an application of its
// own where the browser allows it.
func (s *Server) manifest(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/manifest+json")
	fmt.Fprintf(w, `{"name":"tidemark","short_name":"tidemark","lang":%q,"start_url":"/","scope":"/","display":"standalone",`+
		`"background_color":"#faf6ee","theme_color":"#faf6ee","icons":[{"src":%q,"sizes":"192x192","type":"image/png","purpose":"any"},`+
		`{"src":%q,"sizes":"512x512","type":"image/png","purpose":"any maskable"},{"src":%q,"sizes":"any","type":"image/svg+xml"}]}`+"\n",
		s.lang(), s.assets.url("icon-192.png"), s.assets.url("icon-512.png"), s.assets.url("icon.svg"))
}

// serviceWorker keeps the last page that was read, so that a phone without a link
// still shows what was known last, and says so. It is served from the root because a
// worker may look after no page above its own path.
func (s *Server) serviceWorker(w http.ResponseWriter, _ *http.Request) {
	h := w.Header()
	h.Set("Content-Type", "text/javascript; charset=utf-8")
	h.Set("Cache-Control", "no-cache")
	var files []string
	for _, name := range []string{"tidemark.css", "tidemark.js", "inter-400.woff2", "inter-600.woff2", "inter-700.woff2", "icon.svg"} {
		files = append(files, fmt.Sprintf("%q", s.assets.url(name)))
	}
	fmt.Fprintf(w, "const BUILD = %q, FILES = [%s];\n", s.build, strings.Join(files, ", "))
	_, _ = w.Write(s.assets["worker.js"].body)
}

// pageNotFound answers for what is not here, in a page of ours.
func (s *Server) pageNotFound(w http.ResponseWriter, r *http.Request) {
	if !wantsHTML(r) || r.Method != http.MethodGet && r.Method != http.MethodHead {
		problem(w, http.StatusNotFound, "not found", "There is nothing at this address.")
		return
	}
	s.refusePage(w, r, http.StatusNotFound, "404")
}
