package history

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
)

// household makes a file with two weeks of invented rises and leaves it as an
// orderly or a sudden stop would.
func household(t testing.TB, orderly bool) string {
	t.Helper()
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s := must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	for day := range 15 {
		at := t0.Add(time.Duration(day) * 24 * time.Hour)
		id := begin(t, s, "tub", at)
		for i := range 200 {
			r := row(i)
			r.Time = r.Time.Add(time.Duration(day) * 24 * time.Hour)
			require.NoError(t, s.AppendRow(id, r))
		}
		require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm(fmt.Sprint("a", day), id, alert.Resolved, at)}, []alert.Notification{notification(fmt.Sprint("l", day), fmt.Sprint("a", day), at)}))
		if day < 14 {
			require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: id, Vessel: "tub", StartedAt: at, EndedAt: at.Add(5 * time.Hour)}))
		}
	}
	require.NoError(t, s.Settings().Set(ctx, "unit", []byte("C")))
	require.NoError(t, s.Flush(ctx))
	require.NoError(t, s.Close(ctx))
	if !orderly {
		s = must(Open(ctx, path, Options{FlushEvery: time.Hour}))
		crash(t, s)
	}
	return path
}

// TestRandomDamage spoils random pages and looks whether the watch goes on, and
// how much comes over.
func TestRandomDamage(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	random := rand.New(rand.NewPCG(3, 14))
	quarantined, rises := 0, 0
	const rounds = 10 // the fault campaign has more
	before := map[bool]string{true: household(t, true), false: household(t, false)}
	for round := range rounds {
		path := filepath.Join(t.TempDir(), "tidemark.db")
		copyFile(t, before[round%2 == 0], path)
		b := must(os.ReadFile(path))
		for range 1 + random.IntN(3) {
			page := 1 + random.IntN(len(b)/pageBytes-1)
			for i := range pageBytes {
				b[page*pageBytes+i] = byte(random.Uint32())
			}
		}
		require.NoError(t, os.WriteFile(path, b, 0o600))
		s := must(Open(ctx, path, Options{FlushEvery: time.Hour}))
		require.False(t, s.Opened().InMemory)
		// Whatever is read must work, at the latest after the damage was met once.
		read := func() error {
			_, err := s.OpenAlarms(ctx)
			p, err2 := s.Rises(ctx, Filter{Limit: 100})
			for _, r := range p.Rises {
				_, err3 := s.Rows(ctx, r.ID, time.Time{}, time.Time{})
				err = errors.Join(err, err3)
			}
			return errors.Join(err, err2)
		}
		if err := read(); err != nil {
			require.True(t, isDamage(err), "%v", err)
			require.NoError(t, s.Repair(ctx)) // the writer may be at it already: this waits for it
			require.NoError(t, read())
		}
		id := begin(t, s, "jar", t0)
		require.NoError(t, s.AppendRow(id, row(1)))
		require.NoError(t, s.Flush(ctx))
		require.Len(t, collect(t, s, id), 1)
		p := must(s.Rises(ctx, Filter{Limit: 100}))
		rises += len(p.Rises) - 1
		if s.Health().Quarantine != "" {
			quarantined++
			assert.FileExists(t, s.Health().Quarantine)
		}
		require.NoError(t, s.Close(ctx))
	}
	t.Logf("put aside %d of %d, rises brought over %.1f of 15 on average", quarantined, rounds, float64(rises)/float64(rounds))
	assert.Greater(t, quarantined, rounds/2)
	assert.Greater(t, rises, rounds*10)
}

func TestDamageMetInMidRise(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := household(t, true)
	s := must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	defer closing(t, s)
	open := must(s.OpenRises(ctx))
	require.Len(t, open, 1)
	// The card forgets most of the file under the running service.
	info := must(os.Stat(path))
	f := must(os.OpenFile(path, os.O_WRONLY, 0))
	for at := int64(40 * pageBytes); at < info.Size(); at += pageBytes {
		_ = must(f.WriteAt(make([]byte, pageBytes), at))
	}
	require.NoError(t, f.Close())
	require.NoError(t, s.db.Close())
	s.db = must(openWAL(ctx, path)) // without cached pages

	for i := range 600 {
		require.NoError(t, s.AppendRow(open[0].ID, row(10_000+i)))
	}
	require.NoError(t, s.Flush(ctx))
	require.NoError(t, s.UpdateRise(ctx, open[0]))
	assert.NotEmpty(t, s.Health().Quarantine)
	r := must(s.Rise(ctx, open[0].ID))
	assert.True(t, r.UnderWay())
	assert.GreaterOrEqual(t, len(collect(t, s, r.ID)), 600)
}

func TestSamplesWithoutTheirRiseAreAdopted(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := household(t, true)
	s := must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	_ = must(s.db.Exec("DELETE FROM rises WHERE id = 15; DELETE FROM sqlite_sequence; PRAGMA user_version = 99"))
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	defer closing(t, s)
	r := must(s.Rise(ctx, 15))
	assert.Equal(t, "recovered", r.Vessel)
	assert.Equal(t, t0.Add(14*24*time.Hour), r.StartedAt)
	assert.InDelta(t, 19.9, r.PeakPercent, 1e-9)
	assert.False(t, r.UnderWay())
	assert.Equal(t, int64(16), begin(t, s, "tub", t0), "its number is not given away")
}

// TestABrokenPageCostsWhatWasOnIt breaks a page within the samples of each of three
// rises: those before and behind it come over.
func TestABrokenPageCostsWhatWasOnIt(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	now := func() time.Time { return t0.Add(24 * time.Hour) }
	s := must(Open(ctx, path, Options{FlushEvery: time.Hour, Now: now}))
	const rises, rows = 3, 1000
	for range rises {
		id := begin(t, s, "tub", t0)
		for i := range rows {
			require.NoError(t, s.AppendRow(id, row(i)))
		}
	}
	require.NoError(t, s.Close(ctx))
	b := must(os.ReadFile(path))
	var leaves []int // of samples, which are by far the most (SQLite, "Database File Format", section 1.6: type 10)
	for at := pageBytes; at < len(b); at += pageBytes {
		if cells := int(b[at+3])<<8 | int(b[at+4]); b[at] == 10 && cells > 10 {
			leaves = append(leaves, at)
		}
	}
	require.Greater(t, len(leaves), 40)
	for i := range rises {
		clear(b[leaves[(2*i+1)*len(leaves)/(2*rises)]:][:pageBytes])
	}
	require.NoError(t, os.WriteFile(path, b, 0o600))
	s = must(Open(ctx, path, Options{FlushEvery: time.Hour, Now: now}))
	defer closing(t, s)
	require.NoError(t, s.Repair(ctx))
	assert.NotEmpty(t, s.Health().Quarantine)
	kept := 0
	for id := range rises {
		kept += len(collect(t, s, int64(id+1)))
	}
	assert.GreaterOrEqual(t, kept, rises*(rows-2*int(piece/(10*time.Second))), "each page lies in two pieces at the most")
	aside := s.Health().Quarantine
	require.NoError(t, s.Repair(ctx))
	assert.Equal(t, aside, s.Health().Quarantine, "a sound file stays")
}

// crash leaves the files as a process that died at this moment would, and closes
// the store without its last writes reaching them.
func crash(t testing.TB, s *Store) {
	t.Helper()
	dir := t.TempDir()
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, s.path+suffix, filepath.Join(dir, "db"+suffix))
	}
	require.NoError(t, s.Close(t.Context()))
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, filepath.Join(dir, "db"+suffix), s.path+suffix)
	}
}

// copyFile copies a file.
func copyFile(t testing.TB, from, to string) {
	t.Helper()
	in := must(os.Open(from))
	defer in.Close()
	out := must(os.Create(to))
	_ = must(io.Copy(out, in))
	require.NoError(t, out.Close())
}
