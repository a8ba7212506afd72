package page

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // to spoil a backup

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
	return b.post("/unlock", url.Values{"passphrase": {pass}, "to": {"/rises"}})
}

// attempt is what is tried on the page of a house where a walk does not reach, and how
// that ends.
type attempt struct {
	what  string
	house func(t *testing.T) (*web.Server, *kitchen)
	try   func(c *cracker) string
	ends  string
}

// cracker is somebody who tries something.
type cracker struct {
	*testing.T
	s *web.Server
	k *kitchen
	b *browser
}

// status words an answer.
func status(w *httptest.ResponseRecorder) string {
	return fmt.Sprintf("%d %s", w.Code, http.StatusText(w.Code))
}

// TestAttacks makes each attempt; those of one request each are the walks of security.txt.
func TestAttacks(t *testing.T) {
	t.Parallel()
	for _, a := range slices.Concat(floods(), contents(), uploads()) {
		t.Run(a.what, func(t *testing.T) {
			s, k := a.house(t)
			assert.Equal(t, a.ends, a.try(&cracker{t, s, k, newBrowser(t, s)}))
		})
	}
}

// floods are too large, too slow or too many.
func floods() []attempt {
	const mega = 1 << 20
	rising, empty := houses()["rising"], houses()["idle"]
	return []attempt{
		{"a body of 1 MB to an act", rising, func(c *cracker) string {
			w := do(c.s, apiRequest("POST", "/api/v1/vessels/tub/acts", `{"note":"`+strings.Repeat("x", mega)+`"}`))
			return status(w) + c.k.told("tub")
		}, "413 Request Entity Too Large"},
		{"a form of 1 MB", rising, func(c *cracker) string {
			w := c.b.post("/act", url.Values{"kind": {"note"}, "vessel": {"tub"}, "note": {strings.Repeat("x", mega)}})
			return status(w) + c.k.told("tub")
		}, "413 Request Entity Too Large"},
		{"headers of 1 MB", empty, func(c *cracker) string {
			return c.raw("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + strings.Repeat("x", mega) + "\r\n\r\n")
		}, "431 Request Header Fields Too Large"},
		{"no host name at all", empty, func(c *cracker) string {
			r := request("GET", "/", nil)
			r.Host = ""
			return status(do(c.s, r))
		}, "421 Misdirected Request"},
		{"a path out of the folder of files", empty, func(c *cracker) string {
			return c.raw("GET /static/..%2f..%2fgo.mod HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
		}, "404 Not Found"},
		{"a header sent one letter at a time", rising, func(c *cracker) string {
			return c.cutOff("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-", func(s *http.Server) *time.Duration { return &s.ReadHeaderTimeout })
		}, "cut off after 5s"},
		{"a body sent one letter at a time", rising, func(c *cracker) string {
			return c.cutOff("POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\nkin",
				func(s *http.Server) *time.Duration { return &s.ReadTimeout })
		}, "cut off after 10s"},
		{"1,000 open event streams", empty, func(c *cracker) string {
			full := 0
			for range 1000 {
				if streamed(c, c.s, request("GET", "/events", nil)) == http.StatusServiceUnavailable {
					full++
				}
			}
			return fmt.Sprint(full, " refused")
		}, "936 refused"},
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

// contents are meant to run or to be taken along.
func contents() []attempt {
	return []attempt{
		{"a script as a vessel's name", func(t *testing.T) (*web.Server, *kitchen) {
			return newServer(t, func(o *web.Options) {
				o.Live = edited{o.Live, func(s *web.Snapshot) { s.Vessels[0].Vessel = `"><script>alert(1)</script>` }}
			})
		}, func(c *cracker) string {
			return fmt.Sprint(strings.Contains(c.b.get("/").Body.String(), "<script>alert"))
		}, "false"},
		{"a formula in an exported cell", houses()["idle"], func(c *cracker) string {
			var b strings.Builder
			require.NoError(c, past.WriteCSV(&b, []bake.Recorded{{Rejected: `=HYPERLINK("x")`}}, time.UTC))
			return b.String()[strings.Index(b.String(), `"'`):]
		}, "\"'=HYPERLINK(\"\"x\"\")\"\n"},
		{"reading the session from a script or over plain HTTP elsewhere", func(t *testing.T) (*web.Server, *kitchen) {
			k := openKitchen(t, berliners, true, 0)
			lock(t, k)
			return k.server(func(o *web.Options) { o.Secure = true }), k
		}, func(c *cracker) string {
			set := c.b.unlock(phrase).Result().Cookies()
			i := slices.IndexFunc(set, func(x *http.Cookie) bool { return strings.HasPrefix(x.Name, "tidemark_session") })
			require.GreaterOrEqual(c, i, 0, "no session cookie")
			return fmt.Sprint(set[i].HttpOnly, set[i].Secure, set[i].SameSite == http.SameSiteLaxMode)
		}, "true true true"},
	}
}

// unchanged tells an answer after which the history is as it was.
func (c *cracker) unchanged(w *httptest.ResponseRecorder) string {
	assertRises(c.T, c.k.store, 3)
	return status(w) + "; nothing changed"
}

// sends sends a file from the page of an unlocked browser.
func (c *cracker) sends(kind, name string, body []byte) *httptest.ResponseRecorder {
	require.Equal(c, 303, c.b.unlock(phrase).Code)
	field := map[string]string{"restore": "backup", "record": "record"}[kind]
	return c.b.sendFile("/house/"+kind+"s", field, name, body, url.Values{"vessel": {"tub"}})
}

// uploads bring files that exchange or fill the history.
func uploads() []attempt {
	keeping := houses()["keeping"]
	return []attempt{
		{"a backup with a trigger that sets another passphrase", keeping, func(c *cracker) string {
			return c.unchanged(c.sends("restore", "x.db", spoilt(c.T,
				"CREATE TRIGGER x AFTER INSERT ON rises BEGIN UPDATE settings SET value = X'6d696e65' WHERE key = 'access.passphrase'; END")))
		}, "409 Conflict; nothing changed"},
		{"a backup with a passphrase of its own", keeping, func(c *cracker) string {
			offer := c.sends("restore", "x.db", spoilt(c.T, "INSERT INTO settings VALUES ('access.passphrase', X'6d696e65')")).Header().Get("Location")
			c.b.get(offer)
			require.Equal(c, 303, c.b.post(offer, url.Values{"answer": {"take"}}).Code)
			v, err := c.k.store.Settings().Get(context.Background(), "access.passphrase")
			require.NoError(c, err)
			assert.NotEqual(c, "mine", string(v))
			return status(newBrowser(c, c.s).unlock(phrase))
		}, "303 See Other"},
		{"a packed record that unpacks to 100 MB", keeping, func(c *cracker) string {
			var b bytes.Buffer
			z := gzip.NewWriter(&b)
			_, err := z.Write(bytes.Repeat([]byte("time,"), 20<<20))
			require.NoError(c, errors.Join(err, z.Close()))
			return c.unchanged(c.sends("record", "x.csv", b.Bytes()))
		}, "409 Conflict; nothing changed"},
		{"a record named like a path", keeping, func(c *cracker) string {
			w := c.sends("record", "../../etc/passwd", []byte("x"))
			assert.NotContains(c, w.Body.String(), "etc")
			return c.unchanged(w)
		}, "409 Conflict; nothing changed"},
		{"an error that tells where files are", keeping, func(c *cracker) string {
			body := c.sends("restore", "x.db", []byte("no database")).Body.String()
			return fmt.Sprint(strings.Contains(body, os.TempDir()) || strings.Contains(body, "tidemark-upload"))
		}, "false"},
		{"an upload that stands still", keeping, func(c *cracker) string {
			require.Equal(c, 303, c.b.unlock(phrase).Code)
			r := c.b.file("/house/restores", "backup", "x.db", backupOf(c.T, 1), nil)
			for _, x := range c.b.cookies {
				r.AddCookie(x)
			}
			w := &deadlines{ResponseRecorder: httptest.NewRecorder()}
			c.s.ServeHTTP(w, r)
			require.NotEmpty(c, w.waits)
			for _, d := range w.waits {
				assert.InDelta(c, 30, d.Seconds(), 5)
			}
			return status(w.ResponseRecorder)
		}, "303 See Other"},
	}
}

// deadlines notes how long the server is willing to wait for bytes.
type deadlines struct {
	*httptest.ResponseRecorder
	waits []time.Duration
}

func (d *deadlines) SetReadDeadline(t time.Time) error {
	d.waits = append(d.waits, time.Until(t))
	return nil
}

// spoilt is a backup that somebody changed.
func spoilt(t *testing.T, query string) []byte {
	t.Helper()
	file := filepath.Join(t.TempDir(), "spoilt.db")
	require.NoError(t, os.WriteFile(file, backupOf(t, 2), 0o600))
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	_, err = db.Exec(query)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	body, err := os.ReadFile(file)
	require.NoError(t, err)
	return body
}
