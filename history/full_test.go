package history

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

// fill makes the disk full for both writers: the file may not grow and its free
// places are used up. The returned function frees the disk.
func fill(t *testing.T, s *Store) (free func()) {
	t.Helper()
	s.db.SetMaxOpenConns(1) // the bound is that of a connection
	set := func(n int) {
		_ = must(s.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", n)))
	}
	set(1)
	for i := 0; ; i++ {
		_, err := s.db.Exec("INSERT INTO settings VALUES (?, zeroblob(1))", fmt.Sprintf("filler/%d", i))
		if err != nil {
			require.True(t, isRefusal(err), "%v", err)
			break
		}
	}
	return func() { set(1 << 30) }
}

// longText needs pages of its own.
func longText() string { return strings.Repeat("x", 4000) }

// TestAFullDiskKeepsTheWatchGoing: what is stored while the disk takes nothing is read as if
// it were on it, reaches it later, and is there after the next start.
func TestAFullDiskKeepsTheWatchGoing(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	known, note := begin(t, s, "tub", t0), bake.Event{Vessel: "tub", At: t0, Told: t0, Kind: "note"}

	note.ID = must(s.AddEvent(ctx, note))
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"gone": []byte("x"), "stays": []byte("x")}))
	for i := range 50 {
		require.NoError(t, s.AppendRow(known, row(i)))
	}
	require.NoError(t, s.Flush(ctx))
	free := fill(t, s)

	for i := 50; i < 25_000; i++ { // bounded; the newest stay
		require.NoError(t, s.AppendRow(known, row(i)))
	}
	require.True(t, isRefusal(s.Flush(ctx)))
	h := s.Health()
	assert.Equal(t, "The history is not reaching the disk: the disk is full; free some space.", h.Problem)
	assert.InDelta(t, rowsMost, h.WaitingRows, rowsMost/10)
	assert.Equal(t, int64(24_950), h.DroppedRows+int64(h.WaitingRows))

	start := bake.Event{At: t0, Told: t0, Kind: "start", Detail: bake.Detail{Note: longText()}}
	id := must(s.BeginRise(ctx, bake.Rise{Vessel: "jar", Holds: estimator.Dough, StartedAt: t0}, &start))
	require.NotEqual(t, id, begin(t, s, "bowl", t0))
	r := must(s.Rise(ctx, id))
	r.Phase, r.Batch = estimator.Rising, []byte(longText())
	require.NoError(t, s.UpdateRise(ctx, r))
	require.NoError(t, s.AppendRow(id, row(1)))
	fold := bake.Event{RiseID: id, Vessel: "jar", At: t0.Add(time.Minute), Told: t0, Kind: "fold", Detail: start.Detail}
	fold.ID = must(s.AddEvent(ctx, fold))
	require.NotEqual(t, start.ID, fold.ID)
	fold.UndoneAt, note.UndoneAt, note.Detail = t0.Add(time.Hour), t0.Add(time.Hour), start.Detail
	require.NoError(t, s.UpdateEvents(ctx, fold, note))
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"gone": nil, "new": []byte(longText())}))
	f := Forecast{RiseID: id, At: t0, Ready: estimator.Window{Median: t0.Add(time.Hour)}}
	require.NoError(t, s.AppendForecast(f))
	check := func() {
		t.Helper()
		open := must(s.OpenRises(ctx))
		require.Len(t, open, 3)
		page := must(s.Rises(ctx, Filter{}))
		assert.Len(t, page.Rises, 3)
		got := must(s.Rise(ctx, id))
		assert.Equal(t, []any{estimator.Rising, longText()}, []any{got.Phase, string(got.Batch)})
		events := must(s.Events(ctx, id))
		assert.Equal(t, []bake.Event{start, fold}, events)
		one := must(s.Event(ctx, note.ID))
		assert.Equal(t, note, one)
		set := must(s.Settings().List(ctx, ""))
		delete(set, "filler/0")
		assert.Equal(t, longText(), string(set["new"]))
		assert.NotContains(t, set, "gone")
		fs := must(s.Forecasts(ctx, id))
		assert.Equal(t, []Forecast{f}, fs)
		rows := collect(t, s, known)
		equalRows(t, []bake.Recorded{row(24_999)}, rows[len(rows)-1:])
		assert.Len(t, collect(t, s, id), 1)
	}
	check()
	free()
	require.NoError(t, s.Flush(ctx))
	assert.Empty(t, s.Health().Problem)
	assert.Empty(t, s.pending.all())
	check()
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, s.Path(), Options{}))
	defer closing(t, s)
	check()
}

// TestAFullDiskHoldsNoWarningUp: a warning that changes while the disk takes nothing
// does not keep the next one from being told.
func TestAFullDiskHoldsNoWarningUp(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	m := alert.NewManager(s, []alert.Route{{Name: "phone"}}, alert.Options{})
	first, second := alarm("a", 1, alert.Firing, t0), alarm("b", 1, alert.Firing, t0)
	require.NoError(t, m.Apply(t.Context(), []alert.Change{{What: alert.WasRaised, Alarm: first}}))
	fill(t, s)
	first.Text = strings.Repeat("x", 3000)
	require.NoError(t, m.Apply(t.Context(), []alert.Change{{What: alert.WasRefreshed, Alarm: first}}))
	require.NoError(t, m.Apply(t.Context(), []alert.Change{{What: alert.WasRaised, Alarm: second}}))
	due := must(s.WaitingNotifications(t.Context()))
	assert.Equal(t, []string{"a/phone/0", "b/phone/0"}, ids(due))
}

func TestNoFileAtAllStillWatches(t *testing.T) {
	ctx := t.Context()
	dir := filepath.Join(t.TempDir(), "state")
	require.NoError(t, os.WriteFile(dir, nil, 0o600)) // a file in the folder's place
	s := must(Open(ctx, filepath.Join(dir, "tidemark.db"), Options{FlushEvery: time.Hour}))
	assert.True(t, s.Opened().InMemory)
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(1)))
	require.Error(t, s.Flush(ctx))
	require.NoError(t, s.Settings().Set(ctx, "k", []byte("v")))
	check := func() {
		t.Helper()
		assert.Len(t, collect(t, s, id), 1)
		v := must(s.Settings().Get(ctx, "k"))
		assert.Equal(t, "v", string(v))
	}
	check()
	assert.Contains(t, s.Health().Problem, "kept in memory", "a write into memory is no cure")
	require.NoError(t, os.Remove(dir))
	require.NoError(t, s.Flush(ctx))
	assert.Empty(t, s.Health().Problem)
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, s.Path(), Options{}))
	defer closing(t, s)
	assert.False(t, s.Opened().InMemory)
	check()
}

// TestStartOnAUselessDisk starts on a disk that is read-only or full, with a rise
// under way in the file.
func TestStartOnAUselessDisk(t *testing.T) {
	for _, clean := range []bool{true, false} {
		for _, how := range []string{"read-only", "full"} {
			t.Run(fmt.Sprintf("%s, orderly stop before: %v", how, clean), func(t *testing.T) {
				dir := t.TempDir()
				if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"); err != nil {
					t.Skipf("needs the right to mount a small disk: %v", err)
				}
				t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
				startOnAUselessDisk(t, dir, how, clean)
			})
		}
	}
}

func startOnAUselessDisk(t *testing.T, dir, how string, clean bool) {
	ctx := t.Context()
	path := filepath.Join(dir, "tidemark.db")
	s := must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(1)))
	require.NoError(t, s.Settings().Set(ctx, "gone", []byte("x")))
	require.NoError(t, s.Settings().Set(ctx, "stays", []byte("x")))
	require.NoError(t, s.Flush(ctx))
	if clean {
		require.NoError(t, s.Close(ctx))
	} else {
		crash(t, s)
	}

	filler := filepath.Join(dir, "filler")
	if how == "full" {
		_ = os.WriteFile(filler, make([]byte, 4<<20), 0o600)
		t.Cleanup(func() { _ = os.Remove(filler) })
	} else {
		require.NoError(t, syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
	}
	s = must(Open(ctx, path, Options{FlushEvery: time.Hour}))
	defer closing(t, s)
	open := must(s.OpenRises(ctx))
	require.Len(t, open, 1, s.Health().Notes)
	require.NoError(t, s.AppendRow(id, row(2)))
	_ = s.Flush(ctx)
	rows := collect(t, s, id)
	equalRows(t, []bake.Recorded{row(1), row(2)}, rows)
	jar := begin(t, s, "jar", t0)
	require.NotEqual(t, id, jar)
	_ = s.Settings().Delete(ctx, "gone")

	if how == "full" {
		require.NoError(t, os.Remove(filler))
	} else {
		require.NoError(t, syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, ""))
	}
	require.NoError(t, s.Settings().Delete(ctx, "gone"))
	require.NoError(t, s.Flush(ctx))
	require.Empty(t, s.Health().Problem)
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, path, Options{}))
	defer closing(t, s)
	require.False(t, s.Opened().InMemory)
	equalRows(t, []bake.Recorded{row(1), row(2)}, collect(t, s, id))
	r := must(s.Rise(ctx, jar))
	assert.Equal(t, "jar", r.Vessel)
	set := must(s.Settings().List(ctx, ""))
	assert.Equal(t, map[string][]byte{"stays": []byte("x")}, set)
}

// TestBesideTheServiceARefusalIsTold: the command line ends at once, so nothing may wait in
// its memory.
func TestBesideTheServiceARefusalIsTold(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	g := must(Open(ctx, s.Path(), Options{Beside: true}))
	fill(t, g)
	long := []byte(strings.Repeat("x", 3000))
	require.True(t, isRefusal(g.Settings().Set(ctx, "passphrase", long)))
	_, err := g.BeginRise(ctx, bake.Rise{Vessel: "tub", StartedAt: t0, Batch: long}, nil)
	require.True(t, isRefusal(err))
	_, err = g.AddEvent(ctx, bake.Event{Kind: "note", At: t0, Detail: bake.Detail{Note: string(long)}})
	require.True(t, isRefusal(err))
	require.NoError(t, g.Close(ctx))
}
