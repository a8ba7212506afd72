package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
)

// spec is the description of the API, checked against OpenAPI itself.
func spec(t *testing.T) (*openapi3.T, routers.Router) {
	t.Helper()
	body, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "web", "openapi.json"))
	require.NoError(t, err)
	doc, err := openapi3.NewLoader().LoadFromData(body)
	require.NoError(t, err)
	require.NoError(t, doc.Validate(context.Background()))
	require.True(t, strings.HasPrefix(doc.OpenAPI, "3.1"))
	doc.Servers = openapi3.Servers{{URL: "http://127.0.0.1:8080/api/v1"}}
	router, err := legacy.NewRouter(doc)
	require.NoError(t, err)
	return doc, router
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

// call sends a request and checks the answer against the description. A
// request that is wrong on purpose is not checked itself.
func call(t *testing.T, h http.Handler, router routers.Router, r *http.Request, wantStatus int) *httptest.ResponseRecorder {
	t.Helper()
	route, params, err := router.FindRoute(r)
	require.NoError(t, err, r.URL)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	in := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, MultiError: true}}
	if wantStatus < 400 {
		r.Body = io.NopCloser(bytes.NewReader(body))
		require.NoError(t, openapi3filter.ValidateRequest(context.Background(), in), "%s %s", r.Method, r.URL)
	}
	r.Body = io.NopCloser(bytes.NewReader(body))
	w := do(h, r)
	require.Equal(t, wantStatus, w.Code, "%s %s: %s", r.Method, r.URL, w.Body.String())
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: w.Code, Header: w.Header(),
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true}}
	out.SetBodyBytes(w.Body.Bytes())
	require.NoError(t, openapi3filter.ValidateResponse(context.Background(), out), "%s %s", r.Method, r.URL)
	return w
}

// TestAPIKeepsItsDescription calls every operation of the description and
// checks request and answer against it.
func TestAPIKeepsItsDescription(t *testing.T) {
	t.Parallel()
	for _, typ := range []string{"image/svg+xml", "image/png", "image/jpeg", "application/vnd.sqlite3", "text/event-stream"} {
		openapi3filter.RegisterBodyDecoder(typ, openapi3filter.FileBodyDecoder)
	}
	doc, router := spec(t)
	s, k := newServer(t, func(o *web.Options) { o.Level = &scale{live: o.Live} })
	ids := fill(t, k.store, 4, 240)
	id, none, tub := ids[0], 4711, k.riseID("tub")
	warning := k.app.Snapshot().Vessels[1].Alarms[0].ID
	called := map[string]bool{}
	try := func(method, path, body string, status int) *httptest.ResponseRecorder {
		r := apiRequest(method, "/api/v1"+path, body)
		if method == "GET" && path == "/events" {
			ctx, cancel := context.WithCancel(r.Context())
			cancel()
			r = r.WithContext(ctx)
		}
		w := call(t, s, router, r, status)
		route, _, err := router.FindRoute(r)
		require.NoError(t, err)
		called[route.Operation.OperationID] = true
		return w
	}
	const ready = "2026-03-16T13:00:00Z" // two days after the server's clock
	for _, c := range []struct {
		method, path, body string
		status             int
	}{
		{"GET", "/openapi.json", "", 200},
		{"GET", "/vessels", "", 200},
		{"GET", "/vessels/tub", "", 200},
		{"GET", "/vessels/basket", "", 200},
		{"GET", "/vessels/bathtub", "", 404},
		{"GET", "/vessels/tub/chart.svg", "", 200},
		{"GET", "/vessels/tub/chart.png", "", 200},
		{"POST", "/vessels/tub/acts", `{"kind":"fold","rise_id":` + tub + `,"at":"2026-03-14T17:10:00+01:00"}`, 200},
		{"POST", "/vessels/tub/acts", `{"kind":"target","target_percent":80}`, 200},
		{"POST", "/vessels/jar/acts", `{"kind":"snooze","alarm_id":"` + warning + `","snooze_seconds":900}`, 200},
		{"POST", "/vessels/tub/acts", `{"kind":"dance"}`, 409},
		{"POST", "/vessels/tub/acts", `{"kind":"fold","rise_id":99}`, 409},
		{"POST", "/vessels/tub/acts", `{"kind":"fold","unknown":1}`, 400},
		{"POST", "/vessels/tub/acts", `{"kind":"fold"} {}`, 400},
		{"POST", "/vessels/tub/acts", `{"kind":"fold","at":"noon"}`, 400},
		{"POST", "/vessels/bathtub/acts", `{"kind":"fold"}`, 404},
		{"POST", "/vessels/tub/acts", `{"kind":"note","note":"` + strings.Repeat("x", 70_000) + `"}`, 413},
		{"GET", "/events", "", 200},
		{"GET", "/rises", "", 200},
		{"GET", "/rises?vessel=tub&outcome=right&limit=1", "", 200},
		{"GET", "/rises?limit=0", "", 400},
		{"GET", fmt.Sprintf("/rises/%d", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d", none), "", 404},
		{"GET", fmt.Sprintf("/rises/%d/samples?n=50", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d/samples?n=1", id), "", 400},
		{"GET", fmt.Sprintf("/rises/%d/samples?from=noon", id), "", 400},
		{"GET", fmt.Sprintf("/rises/%d/samples.csv", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d/samples.csv", none), "", 404},
		{"GET", fmt.Sprintf("/rises/%d/export.json", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d/chart.svg", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d/chart.png", id), "", 200},
		{"GET", fmt.Sprintf("/rises/%d/acts", id), "", 200},
		{"PUT", fmt.Sprintf("/rises/%d/judgement", id), `{"outcome":"right","note":"n"}`, 204},
		{"PUT", fmt.Sprintf("/rises/%d/judgement", id), `{"outcome":"burnt"}`, 409},
		{"PUT", fmt.Sprintf("/rises/%d/judgement", none), `{"outcome":"right"}`, 404},
		{"DELETE", fmt.Sprintf("/rises/%d/judgement", id), "{}", 204},
		{"DELETE", fmt.Sprintf("/rises/%d/judgement", id), "{}", 409},
		{"DELETE", fmt.Sprintf("/rises/%d/judgement", none), "{}", 404},
		{"GET", fmt.Sprintf("/rises/%d/photos", id), "", 200},
		{"GET", "/photos/4711", "", 404},
		{"GET", "/backup", "", 200},
		{"GET", "/plan?air_c=22&ready=" + ready, "", 200},
		{"GET", "/plan?air_c=22&warm_c=26&no_fridge=true&vessel=tub&ready=" + ready + "&ripe_until=" + ready + "", "", 200},
		{"GET", "/plan?air_c=22&ready=soon", "", 400},
		{"GET", "/plan?air_c=22&ready=2026-03-13T13:00:00Z", "", 400},
		{"GET", "/plan?air_c=60&ready=" + ready, "", 400},
		{"GET", "/plan?ready=2026-03-15T13:00:00Z", "", 400},
		{"POST", "/vessels/basket/acts", `{"kind":"plan","plan":{"ready":"` + ready + `","air_c":22,"way":"overnight"}}`, 200},
		{"POST", "/vessels/basket/acts", `{"kind":"plan","plan":{"ready":"soon","air_c":22,"way":"x"}}`, 400},
		{"POST", "/vessels/basket/acts", `{"kind":"plan"}`, 409},
		{"GET", "/vessels/basket", "", 200},
	} {
		try(c.method, c.path, c.body, c.status)
	}
	b := newBrowser(t, s)
	w := b.upload(fmt.Sprintf("/rises/%d/photos", id), "loaf.jpg", picture(t, 40, 30, 1))
	require.Equal(t, 303, w.Code)
	try("GET", fmt.Sprintf("/rises/%d/photos", id), "", 200)
	try("GET", "/photos/1", "", 200)
	try("DELETE", "/photos/1", `{}`, 204)
	try("DELETE", "/photos/1", `{}`, 404)
	called["addPhoto"] = true // by the form above; the description's path answers the same handler
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			assert.True(t, called[op.OperationID], "%s %s is described but was not called", method, path)
		}
	}
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

func TestPagination(t *testing.T) {
	t.Parallel()
	s, _, _ := withPast(t, 7)
	seen := map[float64]bool{}
	cursor := ""
	for range 10 {
		w := do(s, apiRequest("GET", "/api/v1/rises?limit=3&cursor="+url.QueryEscape(cursor), ""))
		require.Equal(t, 200, w.Code, w.Body.String())
		var page struct {
			Rises []map[string]any
			Next  *string
		}
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &page))
		for _, r := range page.Rises {
			id := r["id"].(float64)
			assert.False(t, seen[id], "seen twice")
			seen[id] = true
		}
		if page.Next == nil {
			break
		}
		cursor = *page.Next
	}
	assert.Len(t, seen, 7)
}

func TestProblemsAreDocuments(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, nil)
	w := do(s, apiRequest("GET", "/api/v1/nothing", ""))
	assert.Equal(t, 404, w.Code)
	assert.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
	var p web.Problem
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &p))
	assert.Equal(t, web.Problem{Type: "about:blank", Title: "no such address", Status: 404,
		Detail: "The API has no such address; see /api/v1/openapi.json."}, p)
}

func TestFaultsInsideAreNotTold(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, func(o *web.Options) { o.Live = faulty{o.Live} })
	w := do(s, apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`))
	assert.Equal(t, 500, w.Code)
	assert.NotContains(t, w.Body.String(), "secret")
}

// faulty fails inside whatever is told.
type faulty struct{ web.Live }

func (faulty) Do(context.Context, bake.Event) error {
	return fmt.Errorf("open /var/lib/tidemark/secret: permission denied")
}
