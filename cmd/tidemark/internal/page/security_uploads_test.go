package page

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
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

// uploads bring files that exchange or fill the history.
func uploads() []attempt {
	unchanged := func(t *testing.T, u *kitchen) string {
		assertRises(t, u.store, 3)
		return "; nothing changed"
	}
	return []attempt{
		{"another site's form sends a backup", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			b := unlocked(t, s)
			typ, body := form(t, "backup", "x.db", backupOf(t, 1), nil)
			r := httptest.NewRequest("POST", "/house/restores", bytes.NewReader(body))
			r.Host, r.RemoteAddr = "127.0.0.1:8080", "192.168.1.9:50000"
			r.Header.Set("Content-Type", typ)
			r.Header.Set("Origin", "https://evil.example")
			return status(b.send(r)) + unchanged(t, u)
		}},
		{"a backup sent without unlocking", func(t *testing.T) string {
			s, u := withUpkeep(t, func(o *web.Options) { o.OpenReading = true })
			b := newBrowser(t, s)
			b.get("/unlock")
			return status(b.sendFile("/house/restores", "backup", "x.db", backupOf(t, 1), nil)) + unchanged(t, u)
		}},
		{"a token with the scopes read, act and backup sends a backup", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			secret := newToken(t, s, "read", "act", "backup")
			typ, body := form(t, "backup", "x.db", backupOf(t, 1), nil)
			r := apiRequest("POST", "/house/restores", string(body))
			r.Header.Set("Content-Type", typ)
			r.Header.Set("Authorization", "Bearer "+secret)
			return status(do(s, r)) + unchanged(t, u)
		}},
		{"answering a checked backup from another site", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			b := unlocked(t, s)
			offer := b.sendFile("/house/restores", "backup", "x.db", backupOf(t, 1), nil).Header().Get("Location")
			r := request("POST", offer, url.Values{"answer": {"take"}})
			r.Header.Set("Origin", "https://evil.example")
			return status(b.send(r)) + unchanged(t, u)
		}},
		{"a backup with a trigger that sets another passphrase", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			b := unlocked(t, s)
			w := b.sendFile("/house/restores", "backup", "x.db", spoilt(t,
				"CREATE TRIGGER x AFTER INSERT ON rises BEGIN UPDATE settings SET value = X'6d696e65' WHERE key = 'access.passphrase'; END"), nil)
			return status(w) + unchanged(t, u)
		}},
		{"a backup with a passphrase of its own", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			b := unlocked(t, s)
			w := b.sendFile("/house/restores", "backup", "x.db", spoilt(t, "INSERT INTO settings VALUES ('access.passphrase', X'6d696e65')"), nil)
			require.Equal(t, 303, w.Code)
			b.get(w.Header().Get("Location"))
			require.Equal(t, 303, b.post(w.Header().Get("Location"), url.Values{"answer": {"take"}}).Code)
			v, err := u.store.Settings().Get(context.Background(), "access.passphrase")
			require.NoError(t, err)
			assert.NotEqual(t, "mine", string(v))
			require.Equal(t, 303, newBrowser(t, s).unlock(phrase).Code)
			return "restored, the household's passphrase stays"
		}},
		{"a backup over the limit", func(t *testing.T) string {
			s, u := withUpkeep(t, func(o *web.Options) { o.BackupsMax = 1 << 20 })
			w := unlocked(t, s).sendFile("/house/restores", "backup", "x.db", make([]byte, 3<<20), nil)
			return status(w) + unchanged(t, u)
		}},
		{"a packed record that unpacks to 100 MB", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			var b bytes.Buffer
			z := gzip.NewWriter(&b)
			_, err := z.Write(bytes.Repeat([]byte("time,"), 20<<20))
			require.NoError(t, err)
			require.NoError(t, z.Close())
			w := unlocked(t, s).sendFile("/house/records", "record", "x.csv", b.Bytes(), map[string]string{"vessel": "tub"})
			return status(w) + ", never unpacked" + unchanged(t, u)
		}},
		{"a record named like a path", func(t *testing.T) string {
			s, u := withUpkeep(t, nil)
			w := unlocked(t, s).sendFile("/house/records", "record", "../../etc/passwd", []byte("x"), map[string]string{"vessel": "tub"})
			assert.NotContains(t, w.Body.String(), "etc")
			return status(w) + ", the name is only shown" + unchanged(t, u)
		}},
		{"an upload that stands still", func(t *testing.T) string {
			s, _ := withUpkeep(t, nil)
			b := unlocked(t, s)
			b.get("/house")
			typ, body := form(t, "backup", "x.db", []byte("x"), nil)
			r := httptest.NewRequest("POST", "/house/restores", bytes.NewReader(body))
			r.Host, r.RemoteAddr = "127.0.0.1:8080", "127.0.0.1:50000"
			r.Header.Set("Content-Type", typ)
			r.Header.Set("Origin", "http://127.0.0.1:8080")
			for _, c := range b.cookies {
				r.AddCookie(c)
			}
			w := &deadlines{ResponseRecorder: httptest.NewRecorder()}
			s.ServeHTTP(w, r)
			require.Equal(t, 409, w.Code)
			require.NotEmpty(t, w.waits)
			for _, d := range w.waits {
				assert.InDelta(t, 30, d.Seconds(), 5)
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
