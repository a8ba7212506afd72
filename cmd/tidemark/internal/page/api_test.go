package page

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
)

// describe reads the description of the API and checks it against OpenAPI itself.
func (w *walker) describe() {
	body, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "web", "openapi.json"))
	require.NoError(w, err)
	w.doc, err = openapi3.NewLoader().LoadFromData(body)
	require.NoError(w, err)
	require.NoError(w, w.doc.Validate(context.Background()))
	require.True(w, strings.HasPrefix(w.doc.OpenAPI, "3.1"))
	w.doc.Servers = openapi3.Servers{{URL: "http://127.0.0.1:8080/api/v1"}}
	w.router, err = legacy.NewRouter(w.doc)
	require.NoError(w, err)
}

// apiRequest is a request of a program on this machine.
func apiRequest(method, target, body string) *http.Request {
	r := httptest.NewRequest(method, "http://127.0.0.1:8080"+target, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:50000"
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	return r
}

// call sends a request of a program and checks the answer against the description. A
// request that is wrong on purpose is not checked itself.
func (w *walker) call(r *http.Request, wantStatus int) *httptest.ResponseRecorder {
	if w.doc == nil {
		w.describe()
	}
	if w.b.from != "" {
		r.RemoteAddr = w.b.from
	}
	if strings.HasSuffix(r.URL.Path, "/events") { // a stream that ends at once
		ctx, cancel := context.WithCancel(r.Context())
		cancel()
		r = r.WithContext(ctx)
	}
	route, params, err := w.router.FindRoute(r)
	require.NoError(w, err, r.URL)
	w.called[route.Operation.OperationID] = true
	body, err := io.ReadAll(r.Body)
	require.NoError(w, err)
	in := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, MultiError: true}}
	if wantStatus < 400 {
		r.Body = io.NopCloser(bytes.NewReader(body))
		require.NoError(w, openapi3filter.ValidateRequest(context.Background(), in), "%s %s", r.Method, r.URL)
	}
	r.Body = io.NopCloser(bytes.NewReader(body))
	answer := do(w.s, r)
	require.Equal(w, wantStatus, answer.Code, "%s %s: %s", r.Method, r.URL, answer.Body.String())
	if wantStatus == http.StatusInternalServerError {
		return answer // no program need expect it
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: answer.Code, Header: answer.Header(),
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true}}
	out.SetBodyBytes(answer.Body.Bytes())
	require.NoError(w, openapi3filter.ValidateResponse(context.Background(), out), "%s %s", r.Method, r.URL)
	return answer
}

// uncalled are the operations of the description that were not called; a photo is added by
// a form, which the same handler answers.
func (w *walker) uncalled() []string {
	var out []string
	for path, item := range w.doc.Paths.Map() {
		for method, op := range item.Operations() {
			if !w.called[op.OperationID] && op.OperationID != "addPhoto" {
				out = append(out, method+" "+path)
			}
		}
	}
	return out
}

func TestETagSavesTheBody(t *testing.T) {
	t.Parallel()
	s, _, ids := withPast(t, 1)
	for _, path := range []string{"/api/v1/vessels", fmt.Sprintf("/api/v1/rises/%d", ids[0]), fmt.Sprintf("/api/v1/rises/%d/chart.svg", ids[0])} {
		w := do(s, apiRequest("GET", path, ""))
		require.Equal(t, 200, w.Code)
		r := apiRequest("GET", path, "")
		r.Header.Set("If-None-Match", `"other", W/`+w.Header().Get("ETag"))
		again := do(s, r)
		assert.Equal(t, http.StatusNotModified, again.Code, path)
		assert.Empty(t, again.Body.String())
	}
}

// faulty fails inside whatever is told.
type faulty struct{ web.Live }

func (faulty) Do(context.Context, bake.Event) error {
	return fmt.Errorf("open /var/lib/tidemark/secret: permission denied")
}
