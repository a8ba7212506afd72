package page

import (
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/web"
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

func (b *browser) post(path string, form url.Values) *httptest.ResponseRecorder {
	r := request("POST", path, form)
	r.Header.Set("Origin", "http://"+cmp.Or(b.host, r.Host))
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return b.send(r)
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

// TestWhatWantsAHandComesFirst: without a choice the page shows the vessel that wants
// a hand, and the row of vessels leads to each.
func TestWhatWantsAHandComesFirst(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	shown := func(path string) string {
		body := do(s, request("GET", path, nil)).Body.String()
		for _, name := range []string{"tub", "jar", "basket"} {
			assert.Contains(t, body, `href="/?vessel=`+name+`"`)
		}
		return regexp.MustCompile(`data-vessel="(\w+)"`).FindStringSubmatch(body)[1]
	}
	assert.Equal(t, "jar", shown("/"), "it is not seen")
	assert.Equal(t, "basket", shown("/?vessel=basket"))
	assert.Equal(t, "jar", shown("/?vessel=bathtub"))
	k.tell("jar", bake.EventEnd)
	assert.Equal(t, "tub", shown("/"))
}

func TestNothingInlineAndNoOtherHost(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, request("GET", "/", nil))
	body := w.Body.String()
	for _, tag := range regexp.MustCompile(`<script[^>]*>[^<]*`).FindAllString(body, -1) {
		assert.Regexp(t, `^<script src="/static/[^"]+" defer>$`, tag)
	}
	assert.NotRegexp(t, `(?i)\son[a-z]+\s*=|\sstyle\s*=|javascript:`, body)
	assert.NotRegexp(t, `(?:src|href|action)="(?:https?:)?//`, body)
	assert.Equal(t, "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; worker-src 'self'; connect-src 'self'; "+
		"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'", w.Header().Get("Content-Security-Policy"))
}

func TestDemoIsLabelled(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, func(o *web.Options) { o.Demo = true })
	assert.Contains(t, do(s, request("GET", "/", nil)).Body.String(), "Everything shown here is invented")
	s, _ = newServer(t, nil)
	assert.NotContains(t, do(s, request("GET", "/?vessel=tub", nil)).Body.String(), "demo")
}

// TestEveryEventByForm tells each event as a browser without scripts does, in an order
// in which they make sense, and finds it in the journal.
func TestEveryEventByForm(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	for _, form := range []url.Values{
		{"kind": {"fold"}, "vessel": {"tub"}, "rise": {k.riseID("tub")}},
		{"kind": {"fridge"}, "vessel": {"tub"}},
		{"kind": {"counter"}, "vessel": {"tub"}},
		{"kind": {"target"}, "vessel": {"tub"}, "target": {"75"}},
		{"kind": {"look"}, "vessel": {"tub"}, "seen": {"74"}},
		{"kind": {"note"}, "vessel": {"tub"}, "note": {"sticky today"}},
		{"kind": {"begun"}, "vessel": {"tub"}, "step": {"divide"}},
		{"kind": {"step"}, "vessel": {"tub"}, "step": {"divide"}},
		{"kind": {"shaped"}, "vessel": {"tub"}},
		{"kind": {"step"}, "vessel": {"tub"}, "step": {"oven-check"}, "answer": {"no"}},
		{"kind": {"begun"}, "vessel": {"tub"}, "step": {"bake-covered"}},
		{"kind": {"baked"}, "vessel": {"tub"}},
		{"kind": {"step"}, "vessel": {"tub"}, "step": {"slice"}},
		{"kind": {"judgement"}, "vessel": {"tub"}, "rise": {k.riseID("tub")}, "outcome": {"right"}, "oven_spring": {"good"}, "note": {"n"}},
		{"kind": {"fed"}, "vessel": {"jar"}, "rise": {k.riseID("jar")}},
		{"kind": {"end"}, "vessel": {"jar"}},
		{"kind": {"start"}, "vessel": {"basket"}, "batch": {"Rye mix"}},
	} {
		vessel := form.Get("vessel")
		w := b.post("/act", form)
		require.Equal(t, http.StatusSeeOther, w.Code, "%v: %s", form, w.Body.String())
		assert.Equal(t, "/?vessel="+vessel, w.Header().Get("Location"))
		e := k.last(vessel)
		assert.EqualValues(t, form.Get("kind"), e.Kind)
		assert.Equal(t, "page", e.By)
		require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"correct"}, "vessel": {vessel}, "event": {fmt.Sprint(e.ID)}, "undo": {fmt.Sprint(e.ID)}, "at": {k.clock.Now().Format(time.RFC3339)}}).Code, form.Get("kind"))
	}
	assert.Equal(t, "Rye mix", k.app.State("basket").Batch)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"undo"}, "vessel": {"basket"}}).Code)
	assert.Zero(t, k.app.State("basket").RiseID)
}

// TestAWarningIsAnswered acknowledges and snoozes what the household was told.
func TestAWarningIsAnswered(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	lost := func() alert.Alarm {
		alarms := k.app.Snapshot().Vessels[1].Alarms
		i := slices.IndexFunc(alarms, func(a alert.Alarm) bool { return a.Kind == alert.SensorLost })
		require.GreaterOrEqual(t, i, 0, "the jar is not seen")
		return alarms[i]
	}
	require.Equal(t, alert.Firing, lost().State)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"snooze"}, "vessel": {"jar"}, "alarm": {lost().ID}, "minutes": {"15"}}).Code)
	assert.Equal(t, alert.Snoozed, lost().State)
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"kind": {"ack"}, "vessel": {"jar"}, "alarm": {lost().ID}}).Code)
	assert.Equal(t, alert.Acknowledged, lost().State)
	assert.Equal(t, "page", lost().AckedBy)
}

func TestTheAnswerToAnActIsShownOnce(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	b := newBrowser(t, s)
	b.post("/act", url.Values{"tap": {"fold|"}, "vessel": {"tub"}})
	assert.Contains(t, b.get("/").Body.String(), "Folded: noted, ")
	assert.NotContains(t, b.get("/").Body.String(), "Folded: noted, ")
}

func TestButtonsFollowTheVessel(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	tub := func() string { return do(s, request("GET", "/?vessel=tub", nil)).Body.String() }
	assert.Contains(t, tub(), ">Into the fridge</button>")
	assert.NotContains(t, tub(), `class="main"`, "what only waits has no filled button")
	assert.Contains(t, do(s, request("GET", "/?vessel=jar", nil)).Body.String(), ">Fed</button>")
	assert.Contains(t, do(s, request("GET", "/?vessel=basket", nil)).Body.String(), `class="main" name="tap" value="start||"`)
	k.tell("tub", bake.EventFridge)
	assert.Contains(t, tub(), ">Out of the fridge</button>")
}

// TestATapMayBeToldLate: a tap says how long ago it happened, and what was told can be
// given another time.
func TestATapMayBeToldLate(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	b := newBrowser(t, s)
	now := k.clock.Now()
	require.Equal(t, http.StatusSeeOther, b.post("/act", url.Values{"tap": {"step|oven-check|empty"}, "ago": {"10"}, "vessel": {"tub"}}).Code)
	e := k.last("tub")
	assert.Equal(t, bake.EventDone, e.Kind)
	assert.Equal(t, bake.OvenCheckID, e.StepID)
	assert.Equal(t, "empty", e.Answer)
	assert.Equal(t, now.Add(-10*time.Minute), e.At)
	correct := url.Values{"kind": {"correct"}, "event": {fmt.Sprint(e.ID)}, "undo": {fmt.Sprint(e.ID)}, "vessel": {"tub"}}
	assert.Equal(t, http.StatusConflict, b.post("/act", correct).Code, "no time")
	correct.Set("at", "2026-03-14T17:05")
	require.Equal(t, http.StatusSeeOther, b.post("/act", correct).Code)
	assert.WithinDuration(t, now.Add(-15*time.Minute), k.last("tub").At, 0)
}

// TestANotFoundPageOfOurOwn: what is not here is said in the page's own words.
func TestANotFoundPageOfOurOwn(t *testing.T) {
	t.Parallel()
	s, _ := newServer(t, nil)
	w := do(s, request("GET", "/loaf", nil))
	assert.Equal(t, http.StatusNotFound, w.Code)
	assert.Contains(t, w.Body.String(), "There is no such page")
	assert.Contains(t, w.Body.String(), "tidemark.css")
}

// TestTheKitchenView: time, staff and what to do of each vessel under way.
func TestTheKitchenView(t *testing.T) {
	t.Parallel()
	s, k := newServer(t, nil)
	body := do(s, request("GET", "/kitchen", nil)).Body.String()
	for _, want := range []string{`class="staff"`, "Saturday wheat", ">" + k.ready("15:04") + "<", "Nothing to do until", `data-calls="true"`, "Jar"} {
		assert.Contains(t, body, want)
	}
	assert.NotContains(t, body, "Basket", "it is empty")
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
