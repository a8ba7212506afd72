package history

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/estimator"
)

// leftBy copies what a kill would leave of a store.
func leftBy(t *testing.T, s *Store) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	for _, suffix := range []string{"", "-wal", "-tail"} {
		if _, err := os.Stat(s.path + suffix); err == nil {
			copyFile(t, s.path+suffix, path+suffix)
		}
	}
	return path
}

// reopen opens a file for a service until the test ends.
func reopen(t *testing.T, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, Options{FlushEvery: time.Hour})
	require.NoError(t, err)
	t.Cleanup(func() { closing(t, s) })
	return s
}

// inDatabase counts the samples that the database itself holds.
func inDatabase(t *testing.T, s *Store) (n int) {
	t.Helper()
	require.NoError(t, s.db.read.QueryRowContext(t.Context(), "SELECT count(*) FROM samples").Scan(&n))
	return n
}

// TestTailOutlivesAKill keeps samples in the tail, kills, and finds them, for the
// service and for a guest beside it.
func TestTailOutlivesAKill(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	var want []Row
	for i := range 60 {
		r := row(i)
		if i == 7 {
			r = Row{Time: r.Time, DistanceMM: math.NaN(), DoughC: -0.001, AirC: 0, RisePercent: math.Inf(1), RiseSD: math.NaN(), EquivHours: 1e-3, Rejected: "spike", Event: estimator.Fold}
		}
		require.NoError(t, s.AppendRow(id, r))
		want = append(want, rounded(r))
		if i%6 == 5 {
			require.NoError(t, s.Keep(t.Context()))
			assert.Zero(t, s.Health().WaitingRows)
		}
	}
	assert.Zero(t, inDatabase(t, s), "nothing has gone to the database yet")
	guest, err := Open(t.Context(), s.path, Options{Guest: true, ReadOnly: true})
	require.NoError(t, err)
	assert.Len(t, collect(t, guest, id), 60)
	require.NoError(t, guest.Close(t.Context()))
	require.NoError(t, s.AppendRow(id, row(60))) // lost
	b := reopen(t, leftBy(t, s))
	rows := collect(t, b, id)
	require.Len(t, rows, 60)
	for i := range rows {
		assert.Equal(t, want[i].Event, rows[i].Event)
		assert.Equal(t, want[i].Rejected, rows[i].Rejected)
		assert.Equal(t, want[i].Time.UnixMilli(), rows[i].Time.UnixMilli())
		for _, v := range [][2]float64{{want[i].DistanceMM, rows[i].DistanceMM}, {want[i].DoughC, rows[i].DoughC}, {want[i].AirC, rows[i].AirC}, {want[i].RisePercent, rows[i].RisePercent}, {want[i].EquivHours, rows[i].EquivHours}} {
			assert.True(t, v[0] == v[1] || math.IsNaN(v[0]) && math.IsNaN(v[1]), "%v", v)
		}
	}
	assert.Equal(t, 60, inDatabase(t, b), "what was found is committed at once")
}

// TestTailGoesToTheDatabase fills the tail by number and by time.
func TestTailGoesToTheDatabase(t *testing.T) {
	now := t0
	s := openTest(t, Options{FlushEvery: time.Hour, Now: func() time.Time { return now }})
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(0)))
	require.NoError(t, s.Keep(t.Context()))
	now = now.Add(tailFor - time.Second)
	require.NoError(t, s.AppendRow(id, row(1)))
	require.NoError(t, s.Keep(t.Context()))
	assert.Zero(t, inDatabase(t, s))
	now = now.Add(time.Second)
	require.NoError(t, s.Keep(t.Context()))
	assert.Equal(t, 2, inDatabase(t, s))
	for i := range tailRows(1) {
		require.NoError(t, s.AppendRow(id, row(2+i)))
	}
	require.NoError(t, s.Keep(t.Context()))
	assert.Equal(t, 2+tailRows(1), inDatabase(t, s))
	size := func() int64 {
		info, err := os.Stat(s.tailPath())
		require.NoError(t, err)
		return info.Size()
	}
	before := size()
	require.NoError(t, s.AppendRow(id, row(3+tailRows(1))))
	require.NoError(t, s.Keep(t.Context()))
	assert.Equal(t, before, size(), "the file is written over from its beginning")
}

// TestTailBringsNothingBack commits, changes what was committed and kills: the
// records left in the tail change nothing.
func TestTailBringsNothingBack(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id, gone := begin(t, s, "tub", t0), begin(t, s, "jar", t0)
	for i := range 6 {
		require.NoError(t, s.AppendRow(id, row(i)))
		require.NoError(t, s.AppendRow(gone, row(i)))
	}
	require.NoError(t, s.Keep(t.Context()))
	require.NoError(t, s.DeleteRise(t.Context(), gone))
	require.NoError(t, s.ShiftTimes(t.Context(), Move{RiseID: id, Move: alert.Move{By: 3 * time.Hour}}))
	b := reopen(t, leftBy(t, s))
	rows := collect(t, b, id)
	require.Len(t, rows, 6)
	assert.Equal(t, row(0).Time.Add(3*time.Hour), rows[0].Time)
	assert.Empty(t, collect(t, b, gone))
	assert.Equal(t, 6, inDatabase(t, b))
}

// TestTailOfARiseThatIsGone deletes a rise while its samples are in the tail alone.
func TestTailOfARiseThatIsGone(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(0)))
	require.NoError(t, s.Keep(t.Context()))
	path := leftBy(t, s)
	b := reopen(t, path)
	require.NoError(t, b.DeleteRise(t.Context(), id))
	assert.Empty(t, collect(t, reopen(t, leftBy(t, b)), id))
}

// TestTailCutAnywhere cuts the file at every length: the samples of every whole
// record are there, and those alone.
func TestTailCutAnywhere(t *testing.T) {
	var whole []byte
	var ends []int
	for i := range 4 {
		whole = append(whole, encodeTail(9, []RiseRow{{1, row(2 * i)}, {2, row(2*i + 1)}})...)
		ends = append(ends, len(whole))
	}
	for n := range len(whole) + 1 {
		complete := 0
		for complete < len(ends) && ends[complete] <= n {
			complete++
		}
		_, rows, err := readTail(bytes.NewReader(whole[:n]))
		require.NoError(t, err)
		require.Len(t, rows, 2*complete, "cut at %d", n)
	}
	older := encodeTail(8, []RiseRow{{1, row(50)}})
	generation, rows, err := readTail(bytes.NewReader(append(append([]byte{}, whole...), older...)))
	require.NoError(t, err)
	assert.Equal(t, uint64(9), generation)
	assert.Len(t, rows, 8, "what an earlier generation left behind does not count")
}

// TestTailLeavesNoRecordAcrossPages writes more than a page and reads it back, over
// a longer tail of an earlier generation.
func TestTailLeavesNoRecordAcrossPages(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	n := 0
	fill := func(minutes int) {
		for range minutes * 6 {
			require.NoError(t, s.AppendRow(id, row(n)))
			if n++; n%6 == 0 {
				require.NoError(t, s.Keep(t.Context()))
			}
		}
	}
	fill(120)
	require.NoError(t, s.Flush(t.Context()))
	fill(61)
	b := reopen(t, leftBy(t, s))
	assert.Len(t, collect(t, b, id), 181*6)
}

// TestRestoreForgetsTheTail restores a backup over a file with a tail.
func TestRestoreForgetsTheTail(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	backup := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, s.Backup(t.Context(), backup))
	require.NoError(t, s.AppendRow(id, row(0)))
	require.NoError(t, s.Keep(t.Context()))
	path := leftBy(t, s)
	_, err := Restore(t.Context(), backup, path, t0)
	require.NoError(t, err)
	assert.Empty(t, collect(t, reopen(t, path), id))
}

func FuzzTail(f *testing.F) {
	f.Add(encodeTail(3, []RiseRow{{1, row(1)}, {7, Row{Time: t0, DistanceMM: math.NaN(), Rejected: "spike"}}}))
	f.Add([]byte("TDT1"))
	f.Fuzz(func(t *testing.T, data []byte) {
		generation, rows, _ := readTail(bytes.NewReader(data))
		for _, r := range rows {
			require.Positive(t, r.RiseID)
		}
		g, again, err := readTail(bytes.NewReader(encodeTail(generation, rows)))
		require.NoError(t, err)
		assert.Equal(t, generation, g)
		assert.Len(t, again, len(rows))
	})
}
