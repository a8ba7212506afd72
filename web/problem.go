package web

import (
	"encoding/json"
	"net/http"
	"time"
)

// Problem is an error as the API tells it (RFC 9457, problem details).
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`

	Ask *askJSON `json:"ask,omitempty"` // what to tell first
}

// askJSON is what must have happened before an event and was not told: the event sent again
// with first_at tells both. Say, Label and Field are for the page.
type askJSON struct {
	Kind  string    `json:"kind"`
	At    time.Time `json:"at"` // when it may have been
	Say   string    `json:"say"`
	Label string    `json:"label"`
	Field string    `json:"field"`
}

// problem writes a problem document.
func problem(w http.ResponseWriter, status int, title, detail string) {
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	h.Del("ETag")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(Problem{Type: "about:blank", Title: title, Status: status, Detail: detail})
}

// writeJSON answers with a JSON value.
func writeJSON(w http.ResponseWriter, status int, v any) {
	if w.Header().Get("Content-Type") == "" {
		w.Header().Set("Content-Type", "application/json")
	}
	if w.Header().Get("Cache-Control") == "" {
		w.Header().Set("Cache-Control", "no-store")
	}
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v)
}
