package page

import (
	"context"
	"fmt"
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

// unlocked is a browser with a session.
func unlocked(t *testing.T, s *web.Server) *browser {
	b := newBrowser(t, s)
	require.Equal(t, 303, b.unlock(phrase).Code)
	return b
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
		fields      url.Values
		status      int
		want        string
	}{
		"no backup":       {"/house/restores", "backup", []byte("<html>"), nil, 409, "cannot be restored"},
		"too large":       {"/house/restores", "backup", make([]byte, 2<<20), nil, 409, "larger than 1 MB"},
		"no file":         {"/house/restores", "other", []byte("x"), nil, 409, "No file was chosen"},
		"no record":       {"/house/records", "record", []byte("x"), url.Values{"vessel": {"tub"}}, 409, "The record was not taken in"},
		"no vessel":       {"/house/records", "record", []byte("time,"), nil, 409, "Say which vessel"},
		"what it holds":   {"/house/records", "record", []byte("time,"), url.Values{"vessel": {"tub"}, "holds": {"soup"}}, 409, "neither dough nor starter"},
		"too many fields": {"/house/records", "record", []byte("time,"), many(30), 409, "could not be read"},
		"a long record":   {"/house/records", "record", make([]byte, 2<<10), url.Values{"vessel": {"tub"}}, 409, "larger than"},
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

func many(n int) url.Values {
	out := url.Values{}
	for i := range n {
		out.Set(fmt.Sprint("field", i), "x")
	}
	return out
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
