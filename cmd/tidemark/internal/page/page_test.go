package page

import (
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func berlin(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	return zone
}

// request is one request from this machine's browser.
func request(method, target string, form url.Values) *http.Request {
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r := httptest.NewRequest(method, target, body)
	r.Host, r.RemoteAddr = "127.0.0.1:8080", "127.0.0.1:50000"
	r.Header.Set("Accept", "text/html")
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	return r
}

// do sends a request. In a page, spaces that do not break become plain ones.
func do(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		w.Body = bytes.NewBufferString(strings.ReplaceAll(w.Body.String(), "\u00a0", " "))
	}
	return w
}

// plainSpaces writes spaces that do not break, and narrow ones, as usual ones.
func plainSpaces(s string) string {
	return strings.NewReplacer("\u00a0", " ", "\u202f", " ").Replace(s)
}

// browser keeps cookies, as a browser does.
type browser struct {
	t       testing.TB
	h       http.Handler
	cookies map[string]*http.Cookie
	from    string // its address and port; empty for this machine
	host    string // that it asks; empty for this machine
}

func newBrowser(t testing.TB, h http.Handler) *browser {
	return &browser{t: t, h: h, cookies: map[string]*http.Cookie{}}
}

func (b *browser) send(r *http.Request) *httptest.ResponseRecorder {
	if b.from != "" {
		r.RemoteAddr = b.from
	}
	if b.host != "" {
		r.Host = b.host
	}
	for _, c := range b.cookies {
		r.AddCookie(c)
	}
	w := do(b.h, r)
	for _, c := range w.Result().Cookies() {
		if c.MaxAge < 0 {
			delete(b.cookies, c.Name)
		} else {
			b.cookies[c.Name] = c
		}
	}
	return w
}

func (b *browser) get(path string) *httptest.ResponseRecorder {
	return b.send(request("GET", path, nil))
}

// form is a form as the page sends it.
func (b *browser) form(path string, form url.Values) *http.Request {
	r := request("POST", path, form)
	r.Header.Set("Origin", "http://"+cmp.Or(b.host, r.Host))
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return r
}

func (b *browser) post(path string, form url.Values) *httptest.ResponseRecorder {
	return b.send(b.form(path, form))
}

// file is a form with a file and other fields.
func (b *browser) file(path, field, name string, body []byte, fields url.Values) *http.Request {
	b.t.Helper()
	var buf bytes.Buffer
	m := multipart.NewWriter(&buf)
	for k := range fields {
		require.NoError(b.t, m.WriteField(k, fields.Get(k)))
	}
	part, err := m.CreateFormFile(field, name)
	require.NoError(b.t, err)
	_, err = part.Write(body)
	require.NoError(b.t, err)
	require.NoError(b.t, m.Close())
	r := b.form(path, nil)
	r.Body, r.ContentLength = io.NopCloser(&buf), int64(buf.Len())
	r.Header.Set("Content-Type", m.FormDataContentType())
	return r
}

func (b *browser) sendFile(path, field, name string, body []byte, fields url.Values) *httptest.ResponseRecorder {
	b.t.Helper()
	return b.send(b.file(path, field, name, body, fields))
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to write the golden file")
	assert.Equal(t, string(want), got)
}

var pictures = regexp.MustCompile(`(?s)<svg.*?</svg>`)

var versions = regexp.MustCompile(`\?v=[0-9a-f]+`)

// TestNowPageGolden keeps what the page of the dough says, without its pictures.
func TestNowPageGolden(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, request("GET", "/?vessel=tub", nil))
	require.Equal(t, 200, w.Code)
	golden(t, "now.html", versions.ReplaceAllString(pictures.ReplaceAllString(w.Body.String(), "<svg>"), "*"))
}

func TestNothingInlineAndNoOtherHost(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	for _, path := range []string{"/", monday, "/rises", "/house", "/kitchen", "/recipe"} {
		w := do(s, request("GET", path, nil))
		body := w.Body.String()
		for _, tag := range regexp.MustCompile(`<script[^>]*>[^<]*`).FindAllString(body, -1) {
			assert.Regexp(t, `^<script src="/static/[^"]+" defer>$`, tag)
		}
		assert.NotRegexp(t, `(?i)\son[a-z]+\s*=|\sstyle\s*=|javascript:`, body)
		assert.NotRegexp(t, `(?:src|href|action)="(?:https?:)?//`, body)
		assert.Equal(t, "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; worker-src 'self'; connect-src 'self'; "+
			"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'", w.Header().Get("Content-Security-Policy"))
	}
}

// TestInstallable: the page can be put on a phone's home screen and shows what it was
// told last without a link (W3C Web App Manifest: name, icons, start_url, display).
func TestInstallable(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	var m struct {
		Name, Display string
		StartURL      string `json:"start_url"`
		Icons         []struct{ Src, Sizes string }
	}
	require.NoError(t, json.Unmarshal(do(s, request("GET", "/manifest.webmanifest", nil)).Body.Bytes(), &m))
	assert.Equal(t, "standalone", m.Display)
	assert.Equal(t, "/", m.StartURL)
	require.Len(t, m.Icons, 3)
	for _, i := range m.Icons {
		assert.Equal(t, 200, do(s, request("GET", i.Src, nil)).Code, i.Src)
	}
	w := do(s, request("GET", "/service-worker.js", nil))
	assert.Contains(t, w.Header().Get("Content-Type"), "javascript")
	for _, f := range regexp.MustCompile(`"(/static/[^"]+)"`).FindAllStringSubmatch(w.Body.String(), -1) {
		assert.Equal(t, 200, do(s, request("GET", f[1], nil)).Code, f[1])
	}
}

func TestStaticFilesMayBeKept(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	body := do(s, request("GET", "/", nil)).Body.String()
	links := regexp.MustCompile(`/static/[^"]+`).FindAllString(body, -1)
	require.GreaterOrEqual(t, len(links), 4)
	for _, l := range links {
		w := do(s, request("GET", l, nil))
		require.Equal(t, 200, w.Code, l)
		assert.Contains(t, w.Header().Get("Cache-Control"), "immutable", l)
		r := request("GET", l, nil)
		r.Header.Set("If-None-Match", w.Header().Get("ETag"))
		assert.Equal(t, http.StatusNotModified, do(s, r).Code, l)
	}
	assert.Equal(t, 404, do(s, request("GET", "/static/..%2fpage.go", nil)).Code)
	assert.Equal(t, 200, do(s, request("GET", "/manifest.webmanifest", nil)).Code)
	assert.Equal(t, 200, do(s, request("GET", "/healthz", nil)).Code)
}

func TestStreamStopsWithTheServer(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	done := make(chan struct{})
	go func() {
		defer close(done)
		do(s, request("GET", "/events", nil))
	}()
	require.NoError(t, s.Close())
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("the stream goes on after Close")
	}
}
