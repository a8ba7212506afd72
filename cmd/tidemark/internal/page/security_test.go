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

// attempt is one line of the security table: what is tried on the page of a house, and
// how that ends.
type attempt struct {
	what  string
	house func(t *testing.T) *cracker
	try   func(c *cracker) string
}

// cracker is somebody who tries something.
type cracker struct {
	*testing.T
	s   *web.Server
	k   *kitchen
	ids []int64 // of past rises
	b   *browser
}

// The houses: one where dough rises, one where nothing does, both without a passphrase,
// and two with one, closed and open to look.
func rising(t *testing.T) *cracker { s, k := newServer(t, nil); return at(t, s, k, nil) }
func empty(t *testing.T) *cracker  { s, k := idle(t, nil); return at(t, s, k, nil) }
func closed(t *testing.T) *cracker { s, k, ids := locked(t, false); return at(t, s, k, ids) }
func ajar(t *testing.T) *cracker   { s, k, ids := locked(t, true); return at(t, s, k, ids) }

func at(t *testing.T, s *web.Server, k *kitchen, ids []int64) *cracker {
	return &cracker{t, s, k, ids, newBrowser(t, s)}
}

// sends tells the answer to a request.
func (c *cracker) sends(r *http.Request) string { return status(do(c.s, r)) }

// inVain tells an answer after which nothing was done.
func (c *cracker) inVain(answer string) string {
	assert.Empty(c, c.k.told("tub"))
	return answer + "; nothing done"
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
	for _, a := range slices.Concat(forgeries(), strangers(), sizes(), contents(), uploads()) {
		got := ""
		if t.Run(a.what, func(t *testing.T) { got = a.try(a.house(t)) }) {
			fmt.Fprintf(&b, "| %s | %s |\n", a.what, got)
		}
	}
	golden(t, "security.md", b.String())
}

// fold is a request for an act with the marks a browser would set, to a host.
func fold(origin, site, host string) *http.Request {
	r := request("POST", "/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})
	for name, value := range map[string]string{"Origin": origin, "Sec-Fetch-Site": site} {
		if value != "" {
			r.Header.Set(name, value)
		}
	}
	r.Host = host
	return r
}

// foldByAPI is the same of a program, with a header.
func foldByAPI(header, value string) *http.Request {
	r := apiRequest("POST", "/api/v1/vessels/tub/acts", `{"kind":"fold"}`)
	r.Header.Set(header, value)
	return r
}

// lookAt is a request for the page of now to a host, with a header.
func lookAt(host, header, value string) *http.Request {
	r := request("GET", "/", nil)
	r.Host = host
	r.Header.Set(header, value)
	return r
}

// forgeries come from other sites.
func forgeries() []attempt {
	const here, evil = "127.0.0.1:8080", "https://evil.example"
	return []attempt{
		{"another site's form, modern browser", rising, func(c *cracker) string { return c.inVain(c.sends(fold(evil, "cross-site", here))) }},
		{"another site's form, browser that sends Origin alone", rising, func(c *cracker) string { return c.inVain(c.sends(fold(evil, "", here))) }},
		{"a form of our own, over plain HTTP", rising, func(c *cracker) string {
			answer := c.sends(fold("http://127.0.0.1:8080", "", here))
			assert.Equal(c, "fold", c.k.told("tub"))
			return answer + "; done"
		}},
		{"the form of a page under a foreign name made to point here", rising, func(c *cracker) string {
			return c.inVain(c.sends(fold("http://evil.example:8080", "same-origin", "evil.example:8080")))
		}},
		{"the form of a page that gives no origin (a sandboxed frame)", rising, func(c *cracker) string { return c.inVain(c.sends(fold("null", "", here))) }},
		{"another site logs this browser in, with a passphrase it knows", empty, func(c *cracker) string {
			lock(c, c.k)
			c.k.clock.Set(c.k.clock.Now().Add(10 * time.Second)) // it is read again
			r := request("POST", "/unlock", url.Values{"passphrase": {phrase}})
			r.Header.Set("Origin", "http://evil.example")
			w := do(c.s, r)
			assert.Empty(c, w.Result().Cookies())
			return status(w) + "; no session"
		}},
		{"JSON from another site's page", rising, func(c *cracker) string { return c.inVain(c.sends(foldByAPI("Origin", evil))) }},
		{"plain text that is JSON, to dodge the browser's question", rising, func(c *cracker) string {
			return c.inVain(c.sends(foldByAPI("Content-Type", "text/plain")))
		}},
		{"a foreign name made to point here (rebinding)", empty, func(c *cracker) string {
			w := do(c.s, lookAt("evil.example:8080", "Accept", "text/html"))
			assert.NotContains(c, w.Body.String(), "tub")
			return status(w)
		}},
		{"no host name at all", empty, func(c *cracker) string { return c.sends(lookAt("", "Accept", "text/html")) }},
		{"leading back to another site after unlocking", closed, func(c *cracker) string {
			c.b.get("/unlock")
			w := c.b.post("/unlock", url.Values{"passphrase": {phrase}, "to": {"//evil.example/"}})
			return status(w) + ", to " + w.Header().Get("Location")
		}},
		{"the same with a tab, which browsers drop, in a link to the login", closed, func(c *cracker) string {
			assert.NotContains(c, c.b.get("/unlock?to=/%09/evil.example").Body.String(), "evil")
			w := c.b.post("/unlock", url.Values{"passphrase": {phrase}, "to": {"/\t/evil.example"}})
			return status(w) + ", to " + w.Header().Get("Location")
		}},
	}
}

// strangers have no passphrase.
func strangers() []attempt {
	lan := func(r *http.Request) *http.Request { r.RemoteAddr = "192.168.1.9:50000"; return r }
	return []attempt{
		{"reading from the network, no passphrase set", empty, func(c *cracker) string { return c.sends(lan(request("GET", "/", nil))) }},
		{"reading through a proxy on this machine, no passphrase set", empty, func(c *cracker) string {
			return c.sends(lookAt("127.0.0.1", "X-Forwarded-For", "203.0.113.5"))
		}},
		{"reading without unlocking, reading closed", closed, func(c *cracker) string {
			w := do(c.s, lan(request("GET", "/", nil)))
			return status(w) + ", to " + w.Header().Get("Location")
		}},
		{"reading without unlocking, reading open", ajar, func(c *cracker) string {
			return c.sends(lan(request("GET", "/", nil))) + ", as the household chose"
		}},
		{"an act without unlocking, reading open", ajar, func(c *cracker) string {
			return c.inVain(status(c.b.post("/act", url.Values{"kind": {"fold"}, "vessel": {"tub"}})))
		}},
		{"fetching the backup without unlocking, reading open", ajar, func(c *cracker) string { return c.sends(lan(apiRequest("GET", "/api/v1/backup", ""))) }},
		{"a token with the scope read tries to act", closed, func(c *cracker) string {
			return c.inVain(c.sends(foldByAPI("Authorization", "Bearer "+newToken(c.T, c.s, "read"))))
		}},
		{"guessing tokens, 50 in a row", closed, func(c *cracker) string {
			var w *httptest.ResponseRecorder
			for i := range 50 {
				r := apiRequest("GET", "/api/v1/vessels", "")
				r.Header.Set("Authorization", fmt.Sprintf("Bearer tmk_%d", i))
				w = do(c.s, r)
				require.NotEqual(c, 200, w.Code)
			}
			return status(w) + " after 5"
		}},
		{"guessing the passphrase, 50 in a row", closed, func(c *cracker) string {
			codes := map[int]int{}
			for i := range 50 {
				codes[c.b.unlock(fmt.Sprintf("guess number %d", i)).Code]++
			}
			assert.Equal(c, map[int]int{403: 5, 429: 45}, codes)
			other := newBrowser(c, c.s)
			other.from = "192.168.1.20:50000"
			assert.Equal(c, 303, other.unlock(phrase).Code)
			return "5 answered, 45 times 429 Too Many Requests; another address logs in meanwhile"
		}},
		{"an old session after locking all browsers", closed, func(c *cracker) string {
			other := newBrowser(c, c.s)
			require.Equal(c, 303, other.unlock(phrase).Code)
			require.Equal(c, 303, c.b.unlock(phrase).Code)
			require.Equal(c, 200, c.b.get("/").Code)
			require.Equal(c, 303, other.post("/lock", url.Values{"all": {"1"}}).Code)
			return status(c.b.get("/")) + ", to the passphrase"
		}},
		{"reading the session from a script or over plain HTTP elsewhere", func(t *testing.T) *cracker {
			s, k := idle(t, func(o *web.Options) { o.Secure = true })
			return at(t, s, k, nil)
		}, func(c *cracker) string {
			lock(c, c.k)
			c.k.clock.Set(c.k.clock.Now().Add(10 * time.Second)) // it is read again
			set := c.b.unlock(phrase).Result().Cookies()
			i := slices.IndexFunc(set, func(x *http.Cookie) bool { return strings.HasPrefix(x.Name, "tidemark_session") })
			require.GreaterOrEqual(c, i, 0, "no session cookie")
			assert.True(c, set[i].HttpOnly && set[i].Secure && set[i].SameSite == http.SameSiteLaxMode)
			return "the cookie is HttpOnly, Secure, SameSite=Lax"
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
	const mega = 1 << 20
	return []attempt{
		{"a body of 1 MB to an act", rising, func(c *cracker) string {
			answer := c.sends(apiRequest("POST", "/api/v1/vessels/tub/acts", `{"note":"`+strings.Repeat("x", mega)+`"}`))
			assert.Empty(c, c.k.told("tub"))
			return answer
		}},
		{"a form of 1 MB", rising, func(c *cracker) string {
			w := c.b.post("/act", url.Values{"kind": {"note"}, "vessel": {"tub"}, "note": {strings.Repeat("x", mega)}})
			assert.Empty(c, c.k.told("tub"))
			return status(w)
		}},
		{"headers of 1 MB", empty, func(c *cracker) string {
			return c.raw("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + strings.Repeat("x", mega) + "\r\n\r\n")
		}},
		{"a header sent one letter at a time", rising, func(c *cracker) string {
			return c.cutOff("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-", func(s *http.Server) *time.Duration { return &s.ReadHeaderTimeout })
		}},
		{"a body sent one letter at a time", rising, func(c *cracker) string {
			return c.cutOff("POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\nkin",
				func(s *http.Server) *time.Duration { return &s.ReadTimeout })
		}},
		{"1,000 open event streams", empty, func(c *cracker) string {
			full := 0
			for range 1000 {
				if streamed(c, c.s, request("GET", "/events", nil)) == http.StatusServiceUnavailable {
					full++
				}
			}
			assert.Equal(c, 936, full)
			return "64 of this machine served, 936 times 503 Service Unavailable"
		}},
		{"a picture of 60,000 by 60,000 pixels in 100 bytes", closed, func(c *cracker) string {
			c.b.unlock(phrase)
			return status(c.b.upload(fmt.Sprintf("/rises/%d/photos", c.ids[0]), "x.png", bomb(c.T))) + ", by its declared size"
		}},
	}
}

// streamed opens a stream that stays open and returns its first status.
func streamed(t testing.TB, h http.Handler, r *http.Request) int {
	w := &notFlushing{header: http.Header{}, done: make(chan int, 1)}
	go h.ServeHTTP(w, r)
	select {
	case code := <-w.done:
		return code
	case <-time.After(20 * time.Second):
		t.Fatal("no answer")
		return 0
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
// short, and waits until the server hangs up. It tells the usual limit.
func (c *cracker) cutOff(begin string, limit func(*http.Server) *time.Duration) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(c, err)
	srv := web.NewHTTPServer(c.s, nil)
	usual := *limit(srv)
	require.Positive(c, usual, "there is no limit")
	*limit(srv) = 50 * time.Millisecond
	go func() { _ = srv.Serve(l) }()
	c.Cleanup(func() { _ = srv.Close() })
	_, err = io.ReadAll(c.dial(l.Addr().String(), begin))
	require.NoError(c, err, "the server did not hang up")
	assert.Empty(c, c.k.told("tub"))
	return fmt.Sprintf("cut off after %s", usual)
}

// dial sends bytes as they are over a connection of its own.
func (c *cracker) dial(addr, text string) net.Conn {
	x, err := net.Dial("tcp", addr)
	require.NoError(c, err)
	c.Cleanup(func() { _ = x.Close() })
	go func() { _, _ = io.WriteString(x, text) }()
	require.NoError(c, x.SetReadDeadline(time.Now().Add(20*time.Second)))
	return x
}

// raw sends bytes as they are and returns the status line's words.
func (c *cracker) raw(text string) string {
	line, err := bufio.NewReader(c.dial(strings.TrimPrefix(serve(c.T, c.s), "http://"), text)).ReadString('\n')
	require.NoError(c, err)
	_, words, _ := strings.Cut(strings.TrimSpace(line), " ")
	return words
}

// contents are meant to run or to lead elsewhere.
func contents() []attempt {
	return []attempt{
		{"a path out of the folder of files", empty, func(c *cracker) string {
			return c.raw("GET /static/..%2f..%2fgo.mod HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
		}},
		{"a script in a note", rising, func(c *cracker) string {
			c.b.post("/act", url.Values{"kind": {"note"}, "vessel": {"tub"}, "note": {"<script>alert(1)</script>"}})
			body := c.b.get("/?vessel=tub").Body.String()
			assert.NotContains(c, body, "<script>alert")
			assert.Contains(c, body, "&lt;script&gt;alert(1)")
			return "shown as text; the policy would not run it either"
		}},
		{"a script as a vessel's name", func(t *testing.T) *cracker {
			s, k := newServer(t, func(o *web.Options) {
				o.Live = edited{o.Live, func(s *web.Snapshot) { s.Vessels[0].Vessel = `"><script>alert(1)</script>` }}
			})
			return at(t, s, k, nil)
		}, func(c *cracker) string {
			assert.NotContains(c, c.b.get("/").Body.String(), "<script>alert")
			return "shown as text"
		}},
		{"a page uploaded as a photo", closed, func(c *cracker) string {
			c.b.unlock(phrase)
			return status(c.b.upload(fmt.Sprintf("/rises/%d/photos", c.ids[0]), "x.jpg", []byte("<html><script>alert(1)</script>")))
		}},
		{"a formula in an exported cell", empty, func(c *cracker) string {
			var b strings.Builder
			require.NoError(c, past.WriteCSV(&b, []bake.Recorded{{Rejected: `=HYPERLINK("x")`}}, time.UTC))
			assert.Contains(c, b.String(), `"'=HYPERLINK(""x"")"`)
			return "written with an apostrophe before it, as text"
		}},
		{"this page in another site's frame", empty, func(c *cracker) string {
			assert.Contains(c, c.b.get("/").Header().Get("Content-Security-Policy"), "frame-ancestors 'none'")
			return "refused by frame-ancestors 'none'"
		}},
		{"XML to the API", closed, func(c *cracker) string {
			r := apiRequest("POST", "/api/v1/vessels/tub/acts", "<act/>")
			r.Header.Set("Authorization", "Bearer "+newToken(c.T, c.s, "act"))
			r.Header.Set("Content-Type", "application/xml")
			return c.sends(r)
		}},
		{"a wrong method", empty, func(c *cracker) string { return c.sends(apiRequest("DELETE", "/events", "")) }},
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
