package page

import (
	"bytes"
	"context"
	"fmt"
	"mime/multipart"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/history"
	"tidemark/web"
)

// slow is the App, but that it waits before it takes a backup.
type slow struct {
	web.Upkeep
	taken, goOn chan struct{}
}

func (u slow) TakeBackup(ctx context.Context, file string) error {
	close(u.taken)
	<-u.goOn
	return u.Upkeep.TakeBackup(ctx, file)
}

// withUpkeep is a server in a house with a passphrase and three past rises.
func withUpkeep(t *testing.T, change func(*web.Options)) (*web.Server, *kitchen) {
	t.Helper()
	k := openKitchen(t, berliners, true, 0)
	fill(t, k.store, 3, 60)
	lock(t, k)
	return k.server(change), k
}

// aRecord is an invented rise of the tub as a file.
func aRecord(t *testing.T) []byte {
	t.Helper()
	body, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "records", "invented-tub.csv"))
	require.NoError(t, err)
	return body
}

// backupOf is the bytes of a backup of another store with n invented rises.
func backupOf(t *testing.T, n int) []byte {
	t.Helper()
	other, _ := newStore(t, n, 30)
	file := filepath.Join(t.TempDir(), "b.db")
	require.NoError(t, other.Backup(context.Background(), file))
	body, err := os.ReadFile(file)
	require.NoError(t, err)
	return body
}

// form is a multipart form with one file.
func form(t testing.TB, field, name string, body []byte, fields map[string]string) (typ string, out []byte) {
	t.Helper()
	var buf bytes.Buffer
	m := multipart.NewWriter(&buf)
	for k, v := range fields {
		require.NoError(t, m.WriteField(k, v))
	}
	part, err := m.CreateFormFile(field, name)
	require.NoError(t, err)
	_, err = part.Write(body)
	require.NoError(t, err)
	require.NoError(t, m.Close())
	return m.FormDataContentType(), buf.Bytes()
}

// sendFile sends a form with a file from the page.
func (b *browser) sendFile(path, field, name string, body []byte, fields map[string]string) *httptest.ResponseRecorder {
	b.t.Helper()
	b.get("/house")
	typ, out := form(b.t, field, name, body, fields)
	r := httptest.NewRequest("POST", path, bytes.NewReader(out))
	r.Host, r.RemoteAddr = "127.0.0.1:8080", "127.0.0.1:50000"
	r.Header.Set("Accept", "text/html")
	r.Header.Set("Origin", "http://127.0.0.1:8080")
	r.Header.Set("Content-Type", typ)
	return b.send(r)
}

// unlocked is a browser with a session.
func unlocked(t *testing.T, s *web.Server) *browser {
	b := newBrowser(t, s)
	require.Equal(t, 303, b.unlock(phrase).Code)
	return b
}

// TestRestoreFromThePage: a backup is checked, the page says what it holds and
// would replace, and only then is anything changed.
func TestRestoreFromThePage(t *testing.T) {
	t.Parallel()
	s, u := withUpkeep(t, nil)
	b := unlocked(t, s)
	body := b.get("/house").Body.String()
	assert.Contains(t, body, "Fetch the backup")
	assert.Contains(t, body, "Check this backup")
	w := b.sendFile("/house/restores", "backup", "old.db", backupOf(t, 5), nil)
	require.Equal(t, 303, w.Code, w.Body.String())
	offer := w.Header().Get("Location")
	page := b.get(offer).Body.String()
	assert.Contains(t, page, "This backup is sound: old.db")
	assert.Contains(t, page, "5 rises, 150 samples")
	assert.Contains(t, page, "3 rises, 180 samples")
	assert.Contains(t, page, "Passphrase, unlocked browsers and tokens stay as they are.")
	assertRises(t, u.store, 3)

	w = b.post(offer, url.Values{"answer": {"leave"}})
	assert.Equal(t, "/house", w.Header().Get("Location"))
	assert.Contains(t, b.get("/house").Body.String(), "Nothing was changed.")
	assert.Equal(t, 404, b.get(offer).Code)
	assertRises(t, u.store, 3)

	offer = b.sendFile("/house/restores", "backup", "old.db", backupOf(t, 5), nil).Header().Get("Location")
	b.get(offer)
	w = b.post(offer, url.Values{"answer": {"take"}})
	require.Equal(t, 303, w.Code, w.Body.String())
	page = b.get(w.Header().Get("Location")).Body.String()
	assert.Contains(t, page, "has taken the place of the history")
	assertRises(t, u.store, 7) // those of the last two days stay
	assert.Equal(t, 404, b.post(offer, url.Values{"answer": {"take"}}).Code, "only once")
}

func assertRises(t *testing.T, s *history.Store, want int) {
	t.Helper()
	p, err := s.Rises(context.Background(), history.Filter{})
	require.NoError(t, err)
	assert.Len(t, p.Rises, want)
}

// TestUploadsThatAreRefused: whatever comes, nothing is changed and nothing is
// left lying about.
func TestUploadsThatAreRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, u := withUpkeep(t, func(o *web.Options) { o.UploadDir, o.BackupsMax, o.RecordsMax = dir, 1<<20, 1<<10 })
	b := unlocked(t, s)
	for name, c := range map[string]struct {
		path, field string
		body        []byte
		fields      map[string]string
		status      int
		want        string
	}{
		"no backup":       {"/house/restores", "backup", []byte("<html>"), nil, 409, "cannot be restored"},
		"too large":       {"/house/restores", "backup", make([]byte, 2<<20), nil, 409, "larger than 1 MB"},
		"no file":         {"/house/restores", "other", []byte("x"), nil, 409, "No file was chosen"},
		"no record":       {"/house/records", "record", []byte("x"), map[string]string{"vessel": "tub"}, 409, "The record was not taken in"},
		"no vessel":       {"/house/records", "record", []byte("time,"), nil, 409, "Say which vessel"},
		"what it holds":   {"/house/records", "record", []byte("time,"), map[string]string{"vessel": "tub", "holds": "soup"}, 409, "neither dough nor starter"},
		"too many fields": {"/house/records", "record", []byte("time,"), many(30), 409, "could not be read"},
		"a long record":   {"/house/records", "record", make([]byte, 2<<10), map[string]string{"vessel": "tub"}, 409, "larger than"},
	} {
		w := b.sendFile(c.path, c.field, "x", c.body, c.fields)
		assert.Equal(t, c.status, w.Code, name)
		assert.Contains(t, w.Body.String(), c.want, name)
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
	assertRises(t, u.store, 3)
}

func many(n int) map[string]string {
	out := map[string]string{}
	for i := range n {
		out[fmt.Sprint("field", i)] = "x"
	}
	return out
}

// TestImportFromThePage brings a record in.
func TestImportFromThePage(t *testing.T) {
	t.Parallel()
	s, u := withUpkeep(t, nil)
	b := unlocked(t, s)
	w := b.sendFile("/house/records", "record", "r.csv", aRecord(t), map[string]string{"vessel": "tub"})
	require.Equal(t, 303, w.Code, w.Body.String())
	assert.Contains(t, b.get(w.Header().Get("Location")).Body.String(), "Kept as a past rise.")
	assertRises(t, u.store, 4)
}

// TestOneUploadAtATime: while a restore runs, a second one is refused.
func TestOneUploadAtATime(t *testing.T) {
	t.Parallel()
	u := slow{taken: make(chan struct{}), goOn: make(chan struct{})}
	s, _ := withUpkeep(t, func(o *web.Options) { u.Upkeep, o.Upkeep = o.Upkeep, &u })
	b, other := unlocked(t, s), unlocked(t, s)
	offer := b.sendFile("/house/restores", "backup", "a.db", backupOf(t, 1), nil).Header().Get("Location")
	b.get(offer)
	done := make(chan int)
	go func() { done <- b.post(offer, url.Values{"answer": {"take"}}).Code }()
	<-u.taken
	w := other.sendFile("/house/restores", "backup", "b.db", backupOf(t, 1), nil)
	assert.Equal(t, 409, w.Code)
	assert.Contains(t, w.Body.String(), "Another upload is under way")
	close(u.goOn)
	assert.Equal(t, 303, <-done)
}

// TestOfferEnds: a checked backup does not wait for ever, and its file goes with
// the server.
func TestOfferEnds(t *testing.T) {
	t.Parallel()
	now, dir := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC), t.TempDir()
	s, _ := withUpkeep(t, func(o *web.Options) { o.Now, o.UploadDir = func() time.Time { return now }, dir })
	b := unlocked(t, s)
	offer := b.sendFile("/house/restores", "backup", "a.db", backupOf(t, 1), nil).Header().Get("Location")
	require.Equal(t, 200, b.get(offer).Code)
	second := b.sendFile("/house/restores", "backup", "b.db", backupOf(t, 1), nil).Header().Get("Location")
	assert.Equal(t, 404, b.get(offer).Code, "a newer one takes its place")
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, left, 1)
	now = now.Add(31 * time.Minute)
	assert.Equal(t, 404, b.get(second).Code)
	require.NoError(t, s.Close())
	left, err = os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}
