package page

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/web"
	"tidemark/web/access"
	"tidemark/web/past"
)

const phrase = "four plain kitchen words"

// lock sets the passphrase of a household.
func lock(t testing.TB, k *kitchen) {
	t.Helper()
	require.NoError(t, access.SetPassphrase(context.Background(), k.store.Settings(), phrase))
}

// locked is a server of a household with a passphrase and one past rise.
func locked(t testing.TB, openReading bool) (*web.Server, *kitchen, []int64) {
	k := risen(t, berliners, true)
	lock(t, k)
	return k.server(func(o *web.Options) { o.OpenReading = openReading }), k, fill(t, k.store, 1, 100)
}

// unlock logs a browser in.
func (b *browser) unlock(pass string) *httptest.ResponseRecorder {
	b.get("/unlock")
	w := b.post("/unlock", url.Values{"passphrase": {pass}, "to": {"/rises"}})
	return w
}

// attempt is one line of the security table.
type attempt struct {
	what string
	try  func(t *testing.T) string // what happened
}

// status words an answer.
func status(w *httptest.ResponseRecorder) string {
	return fmt.Sprintf("%d %s", w.Code, http.StatusText(w.Code))
}

// TestSecurityTable makes each attempt and writes down what happened. The table
// is kept as a golden file.
func TestSecurityTable(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("| attempt | what happened |\n|---|---|\n")
	for _, a := range attempts() {
		got := ""
		if !t.Run(a.what, func(t *testing.T) { got = a.try(t) }) {
			continue
		}
		fmt.Fprintf(&b, "| %s | %s |\n", a.what, got)
	}
	golden(t, "security.md", b.String())
}

// fold is a request for an act with the marks a browser would set.
func fold(origin, site string) *http.Request {
	r := request("POST", "/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})
	if origin != "" {
		r.Header.Set("Origin", origin)
	}
	if site != "" {
		r.Header.Set("Sec-Fetch-Site", site)
	}
	return r
}

func attempts() []attempt {
	return slices.Concat(forgeries(), strangers(), sizes(), contents(), uploads())
}

// forgeries come from other sites.
func forgeries() []attempt {
	nothingDone := func(t *testing.T, k *kitchen) string {
		assert.Empty(t, k.told("tub"))
		return "; nothing done"
	}
	return []attempt{
		{"another site's form, modern browser", func(t *testing.T) string {
			s, k := newServer(t, nil)
			w := do(s, fold("https://evil.example", "cross-site"))
			return status(w) + nothingDone(t, k)
		}},
		{"another site's form, browser that sends Origin alone", func(t *testing.T) string {
			s, k := newServer(t, nil)
			return status(do(s, fold("https://evil.example", ""))) + nothingDone(t, k)
		}},
		{"a form of our own, over plain HTTP", func(t *testing.T) string {
			s, k := newServer(t, nil)
			w := do(s, fold("http://127.0.0.1:8080", ""))
			assert.Equal(t, "fold", k.told("tub"))
			return status(w) + "; done"
		}},
		{"the form of a page under a foreign name made to point here", func(t *testing.T) string {
			s, k := newServer(t, nil)
			r := fold("http://evil.example:8080", "same-origin")
			r.Host = "evil.example:8080"
			return status(do(s, r)) + nothingDone(t, k)
		}},
		{"the form of a page that gives no origin (a sandboxed frame)", func(t *testing.T) string {
			s, k := newServer(t, nil)
			return status(do(s, fold("null", ""))) + nothingDone(t, k)
		}},
		{"another site logs this browser in, with a passphrase it knows", func(t *testing.T) string {
			s, k := idle(t, nil)
			lock(t, k)
			k.clock.Set(k.clock.Now().Add(10 * time.Second)) // it is read again
			r := request("POST", "/unlock", url.Values{"passphrase": {phrase}})
			r.Header.Set("Origin", "http://evil.example")
			w := do(s, r)
			assert.Empty(t, w.Result().Cookies())
			return status(w) + "; no session"
		}},
		{"JSON from another site's page", func(t *testing.T) string {
			s, k := newServer(t, nil)
			r := apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`)
			r.Header.Set("Origin", "https://evil.example")
			return status(do(s, r)) + nothingDone(t, k)
		}},
		{"plain text that is JSON, to dodge the browser's question", func(t *testing.T) string {
			s, k := newServer(t, nil)
			r := apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`)
			r.Header.Set("Content-Type", "text/plain")
			return status(do(s, r)) + nothingDone(t, k)
		}},
		{"a foreign name made to point here (rebinding)", func(t *testing.T) string {
			s, _ := idle(t, nil)
			r := request("GET", "/", nil)
			r.Host = "evil.example:8080"
			w := do(s, r)
			assert.NotContains(t, w.Body.String(), "tub")
			return status(w)
		}},
		{"no host name at all", func(t *testing.T) string {
			s, _ := idle(t, nil)
			r := request("GET", "/", nil)
			r.Host = ""
			return status(do(s, r))
		}},
		{"leading back to another site after unlocking", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			b := newBrowser(t, s)
			b.get("/unlock")
			w := b.post("/unlock", url.Values{"passphrase": {phrase}, "to": {"//evil.example/"}})
			return status(w) + ", to " + w.Header().Get("Location")
		}},
		{"the same with a tab, which browsers drop, in a link to the login", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			b := newBrowser(t, s)
			page := b.get("/unlock?to=/%09/evil.example").Body.String()
			assert.NotContains(t, page, "evil")
			w := b.post("/unlock", url.Values{"passphrase": {phrase}, "to": {"/\t/evil.example"}})
			return status(w) + ", to " + w.Header().Get("Location")
		}},
	}
}

// strangers have no passphrase.
func strangers() []attempt {
	lan := func(r *http.Request) *http.Request { r.RemoteAddr = "192.168.1.9:50000"; return r }
	return []attempt{
		{"reading from the network, no passphrase set", func(t *testing.T) string {
			s, _ := idle(t, nil)
			return status(do(s, lan(request("GET", "/", nil))))
		}},
		{"reading through a proxy on this machine, no passphrase set", func(t *testing.T) string {
			s, _ := idle(t, nil)
			r := request("GET", "/", nil)
			r.Header.Set("X-Forwarded-For", "203.0.113.5")
			return status(do(s, r))
		}},
		{"reading without unlocking, reading closed", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			w := do(s, lan(request("GET", "/", nil)))
			return status(w) + ", to " + w.Header().Get("Location")
		}},
		{"reading without unlocking, reading open", func(t *testing.T) string {
			s, _, _ := locked(t, true)
			return status(do(s, lan(request("GET", "/", nil)))) + ", as the household chose"
		}},
		{"an act without unlocking, reading open", func(t *testing.T) string {
			s, k, _ := locked(t, true)
			b := newBrowser(t, s)
			w := b.post("/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})
			assert.Empty(t, k.told("tub"))
			return status(w) + "; nothing done"
		}},
		{"fetching the backup without unlocking, reading open", func(t *testing.T) string {
			s, _, _ := locked(t, true)
			return status(do(s, lan(apiRequest("GET", "/api/v1/backup", ""))))
		}},
		{"a token with the scope read tries to act", func(t *testing.T) string {
			s, k, _ := locked(t, false)
			secret := newToken(t, s, "read")
			r := apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`)
			r.Header.Set("Authorization", "Bearer "+secret)
			w := do(s, r)
			assert.Empty(t, k.told("tub"))
			return status(w) + "; nothing done"
		}},
		{"guessing tokens, 50 in a row", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			var w *httptest.ResponseRecorder
			for i := range 50 {
				r := apiRequest("GET", "/api/v1/vessels", "")
				r.Header.Set("Authorization", fmt.Sprintf("Bearer tmk_%d", i))
				w = do(s, r)
				require.NotEqual(t, 200, w.Code)
			}
			return status(w) + " after 5"
		}},
		{"guessing the passphrase, 50 in a row", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			b := newBrowser(t, s)
			codes := map[int]int{}
			for i := range 50 {
				codes[b.unlock(fmt.Sprintf("guess number %d", i)).Code]++
			}
			assert.Equal(t, map[int]int{403: 5, 429: 45}, codes)
			other := newBrowser(t, s)
			other.from = "192.168.1.20:50000"
			assert.Equal(t, 303, other.unlock(phrase).Code)
			return "5 answered, 45 times 429 Too Many Requests; another address logs in meanwhile"
		}},
		{"an old session after locking all browsers", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			a, b := newBrowser(t, s), newBrowser(t, s)
			require.Equal(t, 303, a.unlock(phrase).Code)
			require.Equal(t, 303, b.unlock(phrase).Code)
			require.Equal(t, 200, b.get("/").Code)
			require.Equal(t, 303, a.post("/lock", url.Values{"all": {"1"}}).Code)
			return status(b.get("/")) + ", to the passphrase"
		}},
		{"reading the session from a script or over plain HTTP elsewhere", func(t *testing.T) string {
			s, k := idle(t, func(o *web.Options) { o.Secure = true })
			lock(t, k)
			k.clock.Set(k.clock.Now().Add(10 * time.Second)) // it is read again
			w := newBrowser(t, s).unlock(phrase)
			for _, c := range w.Result().Cookies() {
				if strings.HasPrefix(c.Name, "tidemark_session") {
					assert.True(t, c.HttpOnly)
					assert.True(t, c.Secure)
					assert.Equal(t, http.SameSiteLaxMode, c.SameSite)
					return "the cookie is HttpOnly, Secure, SameSite=Lax"
				}
			}
			t.Fatal("no session cookie")
			return ""
		}},
	}
}

// newToken makes a token in an unlocked browser and returns its secret.
func newToken(t *testing.T, s *web.Server, scopes ...string) string {
	return newTokenNamed(t, s, "shelf", scopes...)
}

func newTokenNamed(t *testing.T, s *web.Server, name string, scopes ...string) string {
	b := newBrowser(t, s)
	require.Equal(t, 303, b.unlock(phrase).Code)
	b.get("/house")
	w := b.post("/tokens", url.Values{"name": {name}, "scope": scopes})
	require.Equal(t, 200, w.Code, w.Body.String())
	_, rest, ok := strings.Cut(w.Body.String(), "only this once: ")
	require.True(t, ok)
	secret, _, _ := strings.Cut(rest, "<")
	return secret
}

// sizes are too large or too slow.
func sizes() []attempt {
	return []attempt{
		{"a body of 1 MB to an act", func(t *testing.T) string {
			s, k := newServer(t, nil)
			w := do(s, apiRequest("POST", "/api/v1/vessels/tub/acts", `{"note":"`+strings.Repeat("x", 1<<20)+`"}`))
			assert.Empty(t, k.told("tub"))
			return status(w)
		}},
		{"a form of 1 MB", func(t *testing.T) string {
			s, k := newServer(t, nil)
			w := newBrowser(t, s).post("/act", url.Values{"kind": {"note"}, "vessel": {"tub"}, "note": {strings.Repeat("x", 1<<20)}})
			assert.Empty(t, k.told("tub"))
			return status(w)
		}},
		{"headers of 1 MB", func(t *testing.T) string {
			addr := rawServer(t)
			return rawAnswer(t, addr, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "+strings.Repeat("x", 1<<20)+"\r\n\r\n")
		}},
		{"a header sent one letter at a time", func(t *testing.T) string {
			limit := cutOff(t, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-", func(s *http.Server) *time.Duration { return &s.ReadHeaderTimeout })
			return fmt.Sprintf("cut off after %s", limit)
		}},
		{"a body sent one letter at a time", func(t *testing.T) string {
			limit := cutOff(t, "POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\nkin",
				func(s *http.Server) *time.Duration { return &s.ReadTimeout })
			return fmt.Sprintf("cut off after %s", limit)
		}},
		{"1,000 open event streams", func(t *testing.T) string {
			s, _ := idle(t, nil)
			full := 0
			for range 1000 {
				w := &notFlushing{header: http.Header{}, done: make(chan int, 1)}
				go s.ServeHTTP(w, request("GET", "/events", nil))
				select {
				case code := <-w.done:
					if code == http.StatusServiceUnavailable {
						full++
					}
				case <-time.After(20 * time.Second):
					t.Fatal("no answer")
				}
			}
			assert.Equal(t, 936, full)
			return "64 of this machine served, 936 times 503 Service Unavailable"
		}},
		{"a picture of 60,000 by 60,000 pixels in 100 bytes", func(t *testing.T) string {
			s, _, ids := locked(t, false)
			b := newBrowser(t, s)
			b.unlock(phrase)
			w := b.upload(fmt.Sprintf("/rises/%d/photos", ids[0]), "x.png", bomb(t))
			return status(w) + ", by its declared size"
		}},
	}
}

// notFlushing reports its first status or write.
type notFlushing struct {
	header http.Header
	done   chan int
	told   bool
}

func (n *notFlushing) Header() http.Header { return n.header }
func (n *notFlushing) WriteHeader(code int) {
	if !n.told {
		n.told = true
		n.done <- code
	}
}
func (n *notFlushing) Write(p []byte) (int, error) {
	n.WriteHeader(http.StatusOK)
	return len(p), nil
}
func (n *notFlushing) Flush() {}

// cutOff sends a beginning and then nothing, to a server whose limit was made
// short, and waits until the server hangs up. It returns the usual limit.
func cutOff(t *testing.T, begin string, limit func(*http.Server) *time.Duration) time.Duration {
	s, k := newServer(t, nil)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	srv := web.NewHTTPServer(s, nil)
	usual := *limit(srv)
	require.Positive(t, usual, "there is no limit")
	*limit(srv) = 50 * time.Millisecond
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close() })
	c, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer c.Close()
	_, err = io.WriteString(c, begin)
	require.NoError(t, err)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(20*time.Second)))
	_, err = io.ReadAll(c)
	require.NoError(t, err, "the server did not hang up")
	assert.Empty(t, k.told("tub"))
	return usual
}

// rawServer serves the page on a real connection.
func rawServer(t *testing.T) string {
	s, _ := idle(t, nil)
	return strings.TrimPrefix(serve(t, s), "http://")
}

// rawAnswer sends bytes as they are and returns the status line's words.
func rawAnswer(t *testing.T, addr, text string) string {
	c, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer c.Close()
	go func() { _, _ = io.WriteString(c, text) }()
	require.NoError(t, c.SetReadDeadline(time.Now().Add(20*time.Second)))
	line, err := bufio.NewReader(c).ReadString('\n')
	require.NoError(t, err)
	_, words, _ := strings.Cut(strings.TrimSpace(line), " ")
	return words
}

// contents are meant to run or to lead elsewhere.
func contents() []attempt {
	return []attempt{
		{"a path out of the folder of files", func(t *testing.T) string {
			addr := rawServer(t)
			return rawAnswer(t, addr, "GET /static/..%2f..%2fgo.mod HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
		}},
		{"a script in a note", func(t *testing.T) string {
			s, _ := newServer(t, nil)
			b := newBrowser(t, s)
			b.post("/act", url.Values{"kind": {"note"}, "vessel": {"tub"}, "note": {"<script>alert(1)</script>"}})
			body := b.get("/?vessel=tub").Body.String()
			assert.NotContains(t, body, "<script>alert")
			assert.Contains(t, body, "&lt;script&gt;alert(1)")
			return "shown as text; the policy would not run it either"
		}},
		{"a script as a vessel's name", func(t *testing.T) string {
			s, _ := newServer(t, func(o *web.Options) {
				o.Live = edited{o.Live, func(s *web.Snapshot) { s.Vessels[0].Vessel = `"><script>alert(1)</script>` }}
			})
			body := do(s, request("GET", "/", nil)).Body.String()
			assert.NotContains(t, body, "<script>alert")
			return "shown as text"
		}},
		{"a page uploaded as a photo", func(t *testing.T) string {
			s, _, ids := locked(t, false)
			b := newBrowser(t, s)
			b.unlock(phrase)
			return status(b.upload(fmt.Sprintf("/rises/%d/photos", ids[0]), "x.jpg", []byte("<html><script>alert(1)</script>")))
		}},
		{"a formula in an exported cell", func(t *testing.T) string {
			var b strings.Builder
			require.NoError(t, past.WriteCSV(&b, []bake.Recorded{{Rejected: `=HYPERLINK("x")`}}, time.UTC))
			assert.Contains(t, b.String(), `"'=HYPERLINK(""x"")"`)
			return "written with an apostrophe before it, as text"
		}},
		{"this page in another site's frame", func(t *testing.T) string {
			s, _ := idle(t, nil)
			w := do(s, request("GET", "/", nil))
			assert.Contains(t, w.Header().Get("Content-Security-Policy"), "frame-ancestors 'none'")
			return "refused by frame-ancestors 'none'"
		}},
		{"XML to the API", func(t *testing.T) string {
			s, _, _ := locked(t, false)
			r := apiRequest("POST", "/api/v1/vessels/tub/acts", "<act/>")
			r.Header.Set("Authorization", "Bearer "+newToken(t, s, "act"))
			r.Header.Set("Content-Type", "application/xml")
			return status(do(s, r))
		}},
		{"a wrong method", func(t *testing.T) string {
			s, _ := idle(t, nil)
			return status(do(s, apiRequest("DELETE", "/events", "")))
		}},
	}
}

func TestUnlockLeadsBack(t *testing.T) {
	t.Parallel()
	s, _, _ := locked(t, false)
	b := newBrowser(t, s)
	w := b.get("/rises?q=x")
	assert.Equal(t, "/unlock?to=%2Frises%3Fq%3Dx", w.Header().Get("Location"))
	w = b.unlock("not the passphrase")
	assert.Equal(t, 403, w.Code)
	assert.Contains(t, w.Body.String(), "That is not the household passphrase.")
	w = b.unlock(phrase)
	assert.Equal(t, "/rises", w.Header().Get("Location"))
	assert.Equal(t, 200, b.get("/rises").Code)
	assert.Equal(t, 303, b.post("/lock", url.Values{}).Code)
	assert.Equal(t, 303, b.get("/rises").Code)
}

func TestTokensOpenWhatTheyMay(t *testing.T) {
	t.Parallel()
	s, k, _ := locked(t, false)
	secret := newToken(t, s, "read", "act")
	r := apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`)
	r.Header.Set("Authorization", "Bearer "+secret)
	r.RemoteAddr = "192.168.1.9:50000"
	require.Equal(t, 200, do(s, r).Code)
	assert.Equal(t, "fold", k.told("tub"))
	assert.Equal(t, "shelf", k.last("tub").By)
	b := newBrowser(t, s)
	b.unlock(phrase)
	b.get("/house")
	require.Equal(t, 303, b.post("/tokens", url.Values{"name": {"shelf"}, "remove": {"1"}}).Code)
	r = apiRequest("GET", "/api/v1/vessels", "")
	r.Header.Set("Authorization", "Bearer "+secret)
	assert.Equal(t, 401, do(s, r).Code)
}

func TestHostNames(t *testing.T) {
	t.Parallel()
	s, _ := idle(t, func(o *web.Options) { o.Hosts = []string{"Kitchen.example"} })
	for host, want := range map[string]int{"127.0.0.1": 200, "127.0.0.1:8080": 200, "[::1]:8080": 200, "[fe80::1]": 200, "localhost:80": 200,
		"tidemark.local": 200, "pi.home.arpa:8080": 200, "kitchen.example": 200, "KITCHEN.EXAMPLE.:8080": 200,
		"evil.example": 421, "127.0.0.1.evil.example": 421, "local": 421, "localhost.evil.example": 421} {
		r := request("GET", "/", nil)
		r.Host = host
		assert.Equal(t, want, do(s, r).Code, host)
	}
}

func TestHouseInItsUnits(t *testing.T) {
	t.Parallel()
	s, k := newServerOf(t, americans, nil)
	body := do(s, request("GET", "/house", nil)).Body.String()
	assert.Contains(t, body, "America/Chicago, 12-hour clock, °F")
	page := do(s, request("GET", "/?vessel=tub", nil)).Body.String()
	assert.Contains(t, page, `<p class="big">`+k.ready("3:04")+`<span class="suffix">pm</span></p>`)
	assert.Contains(t, page, k.ready("3:04 pm"))
}
