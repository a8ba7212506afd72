package web

import (
	"encoding/json"
	"net/http"
)

// Problem is an error as the API tells it (RFC 9457, problem details).
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// problem writes a problem document.
func problem(w http.ResponseWriter, status int, title, detail string) {
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	h.Del("ETag")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(Problem{"about:blank", title, status, detail})
}

// writeJSON answers with a JSON value.
func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	if w.Header().Get("Cache-Control") == "" {
		w.Header().Set("Cache-Control", "no-store")
	}
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v)
}
