package page

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // to spoil a backup

	"tidemark/web"
)

// store is the house with a passphrase and three past rises.
func store(t *testing.T) *cracker { s, k := withUpkeep(t, nil); return at(t, s, k, nil) }

// unchanged tells an answer after which the history is as it was.
func (c *cracker) unchanged(answer string) string {
	assertRises(c.T, c.k.store, 3)
	return answer + "; nothing changed"
}

// sendsBackup sends a backup from the page of an unlocked browser.
func (c *cracker) sendsBackup(body []byte) *httptest.ResponseRecorder {
	if len(c.b.cookies) == 0 {
		c.b = unlocked(c.T, c.s)
	}
	return c.b.sendFile("/house/restores", "backup", "x.db", body, nil)
}

// backupForm is the form with a backup, with a header.
func (c *cracker) backupForm(header, value string) *http.Request {
	typ, body := form(c.T, "backup", "x.db", backupOf(c.T, 1), nil)
	r := apiRequest("POST", "/house/restores", string(body))
	r.Header.Set("Content-Type", typ)
	r.Header.Set(header, value)
	return r
}

// uploads bring files that exchange or fill the history.
func uploads() []attempt {
	record := func(c *cracker, name string, body []byte) *httptest.ResponseRecorder {
		return unlocked(c.T, c.s).sendFile("/house/records", "record", name, body, map[string]string{"vessel": "tub"})
	}
	return []attempt{
		{"another site's form sends a backup", store, func(c *cracker) string {
			c.b = unlocked(c.T, c.s)
			return c.unchanged(status(c.b.send(c.backupForm("Origin", "https://evil.example"))))
		}},
		{"a backup sent without unlocking", func(t *testing.T) *cracker {
			s, k := withUpkeep(t, func(o *web.Options) { o.OpenReading = true })
			return at(t, s, k, nil)
		}, func(c *cracker) string {
			c.b.get("/unlock")
			return c.unchanged(status(c.b.sendFile("/house/restores", "backup", "x.db", backupOf(c.T, 1), nil)))
		}},
		{"a token with the scopes read, act and backup sends a backup", store, func(c *cracker) string {
			return c.unchanged(c.sends(c.backupForm("Authorization", "Bearer "+newToken(c.T, c.s, "read", "act", "backup"))))
		}},
		{"answering a checked backup from another site", store, func(c *cracker) string {
			r := request("POST", c.sendsBackup(backupOf(c.T, 1)).Header().Get("Location"), url.Values{"answer": {"take"}})
			r.Header.Set("Origin", "https://evil.example")
			return c.unchanged(status(c.b.send(r)))
		}},
		{"a backup with a trigger that sets another passphrase", store, func(c *cracker) string {
			return c.unchanged(status(c.sendsBackup(spoilt(c.T,
				"CREATE TRIGGER x AFTER INSERT ON rises BEGIN UPDATE settings SET value = X'6d696e65' WHERE key = 'access.passphrase'; END"))))
		}},
		{"a backup with a passphrase of its own", store, func(c *cracker) string {
			w := c.sendsBackup(spoilt(c.T, "INSERT INTO settings VALUES ('access.passphrase', X'6d696e65')"))
			require.Equal(c, 303, w.Code)
			c.b.get(w.Header().Get("Location"))
			require.Equal(c, 303, c.b.post(w.Header().Get("Location"), url.Values{"answer": {"take"}}).Code)
			v, err := c.k.store.Settings().Get(context.Background(), "access.passphrase")
			require.NoError(c, err)
			assert.NotEqual(c, "mine", string(v))
			require.Equal(c, 303, newBrowser(c, c.s).unlock(phrase).Code)
			return "restored, the household's passphrase stays"
		}},
		{"a backup over the limit", func(t *testing.T) *cracker {
			s, k := withUpkeep(t, func(o *web.Options) { o.BackupsMax = 1 << 20 })
			return at(t, s, k, nil)
		}, func(c *cracker) string { return c.unchanged(status(c.sendsBackup(make([]byte, 3<<20)))) }},
		{"a packed record that unpacks to 100 MB", store, func(c *cracker) string {
			var b bytes.Buffer
			z := gzip.NewWriter(&b)
			_, err := z.Write(bytes.Repeat([]byte("time,"), 20<<20))
			require.NoError(c, errors.Join(err, z.Close()))
			return c.unchanged(status(record(c, "x.csv", b.Bytes())) + ", never unpacked")
		}},
		{"a record named like a path", store, func(c *cracker) string {
			w := record(c, "../../etc/passwd", []byte("x"))
			assert.NotContains(c, w.Body.String(), "etc")
			return c.unchanged(status(w) + ", the name is only shown")
		}},
		{"an upload that stands still", store, func(c *cracker) string {
			c.b = unlocked(c.T, c.s)
			r := c.backupForm("Origin", "http://127.0.0.1:8080")
			for _, x := range c.b.cookies {
				r.AddCookie(x)
			}
			w := &deadlines{ResponseRecorder: httptest.NewRecorder()}
			c.s.ServeHTTP(w, r)
			require.NotEmpty(c, w.waits)
			for _, d := range w.waits {
				assert.InDelta(c, 30, d.Seconds(), 5)
			}
			return "cut off after 30s without a byte, and after 30m0s in all"
		}},
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

// TestPathsOfFilesAreNotTold: an error about an upload does not name a file here.
func TestPathsOfFilesAreNotTold(t *testing.T) {
	t.Parallel()
	s, _ := withUpkeep(t, nil)
	body := unlocked(t, s).sendFile("/house/restores", "backup", "x.db", []byte("no database"), nil).Body.String()
	assert.False(t, strings.Contains(body, os.TempDir()) || strings.Contains(body, "tidemark-upload"), body)
}
