package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static/*
var staticFiles embed.FS

// asset is one static file with the digest that names its version.
type asset struct {
	body   []byte
	digest string
	typ    string
}

// assets are the static files by name.
type assets map[string]asset

// loadAssets reads the embedded files.
func loadAssets() (assets, error) {
	a := assets{}
	files, err := fs.Glob(staticFiles, "static/*")
	for _, p := range files {
		body, err := staticFiles.ReadFile(p)
		if err != nil {
			return nil, fmt.Errorf("web: reading the built-in files: %w", err)
		}
		a.add(path.Base(p), body)
	}
	css := string(a["tidemark.css"].body)
	for name := range a {
		css = strings.ReplaceAll(css, "url("+name+")", "url("+a.url(name)+")")
	}
	a.add("tidemark.css", []byte(css))
	return a, err
}

func (a assets) add(name string, body []byte) {
	sum := sha256.Sum256(body)
	typ := map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png",
		".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8"}[path.Ext(name)] // not left to the system's table
	a[name] = asset{body: body, digest: hex.EncodeToString(sum[:8]), typ: typ}
}

// buildOf names the pages and files as they are built in.
func buildOf(a assets) (string, error) {
	sum := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(a)) {
		sum.Write([]byte(a[name].digest))
	}
	pages, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return "", err
	}
	for _, p := range pages {
		body, err := templateFiles.ReadFile(p)
		if err != nil {
			return "", fmt.Errorf("web: reading the built-in pages: %w", err)
		}
		sum.Write(body)
	}
	return hex.EncodeToString(sum.Sum(nil)[:4]), nil
}

// url is where a file is served; its digest lets it be kept for a year.
func (a assets) url(name string) string { return "/static/" + name + "?v=" + a[name].digest }

// static serves one built-in file.
func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	f, ok := s.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", f.typ)
	h.Set("ETag", `"`+f.digest+`"`)
	h.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == f.digest {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.body))
}

// favicon serves the icon where browsers look for one unasked.
func (s *Server) favicon(w http.ResponseWriter, r *http.Request) {
	r.SetPathValue("name", "icon.png")
	s.static(w, r)
}
