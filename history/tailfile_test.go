package history

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// tailOf writes records into a tail and returns the file, and where each record
// begins and ends.
func tailOf(t *testing.T, direct bool, records ...[]byte) (file []byte, spans [][2]int) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tidemark.db-tail")
	f, err := openTailFile(path)
	require.NoError(t, err)
	if !direct {
		require.NoError(t, f.File.Close())
		f.direct = false
		require.NoError(t, f.open(path))
	}
	at := int64(0)
	for _, r := range records {
		n, err := f.put(r, at)
		require.NoError(t, err)
		require.Zero(t, n%tailSector)
		spans = append(spans, [2]int{int(at), int(at) + len(r)})
		at += n
	}
	require.NoError(t, f.Close())
	file, err = os.ReadFile(path)
	require.NoError(t, err)
	require.Len(t, file, int(at))
	return file, spans
}

// rowsFrom are n rows of rise 1, beginning with the i-th.
func rowsFrom(i, n int) (rows []RiseRow) {
	for k := range n {
		rows = append(rows, RiseRow{1, row(i + k)})
	}
	return rows
}

// TestTailIsTheSameEitherWay writes past the page cache and through it.
func TestTailIsTheSameEitherWay(t *testing.T) {
	records := [][]byte{encodeTail(4, rowsFrom(0, 6)), encodeTail(4, rowsFrom(6, 60)), encodeTail(4, rowsFrom(66, 6000)), encodeTail(4, rowsFrom(6066, 6))}
	require.Greater(t, len(records[2]), 2*tailBuffer)
	direct, _ := tailOf(t, true, records...)
	cached, _ := tailOf(t, false, records...)
	assert.True(t, bytes.Equal(direct, cached))
	_, rows, err := readTail(bytes.NewReader(direct))
	require.NoError(t, err)
	assert.Len(t, rows, 6072)
}

// TestTailGivesUpWritingPastTheCache asks for what no disk does, half a sector: it
// goes on through the cache, as on a disk with larger sectors.
func TestTailGivesUpWritingPastTheCache(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tidemark.db-tail")
	f, err := openTailFile(path)
	require.NoError(t, err)
	direct := f.direct
	_, err = f.put([]byte("invented"), 100)
	require.NoError(t, err)
	assert.False(t, direct && f.direct)
	require.NoError(t, f.Close())
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "invented", string(file[100:108]))
}

// TestTailGarbledAnywhere changes one byte after the other, and blanks one sector
// after the other: only the records that were hit are missing.
func TestTailGarbledAnywhere(t *testing.T) {
	file, spans := tailOf(t, true, encodeTail(9, rowsFrom(0, 6)), encodeTail(9, rowsFrom(6, 60)), encodeTail(9, rowsFrom(66, 1)), encodeTail(9, rowsFrom(67, 6)))
	counts := []int{6, 60, 1, 6}
	check := func(what string, from, until int, garbled []byte) {
		t.Helper()
		want := 0
		for i, s := range spans {
			if until <= s[0] || from >= s[1] {
				want += counts[i]
			}
		}
		_, rows, err := readTail(bytes.NewReader(garbled))
		require.NoError(t, err)
		require.Len(t, rows, want, "%s at %d", what, from)
	}
	check("nothing", 0, 0, file)
	for n := range file {
		garbled := slices.Clone(file)
		garbled[n] ^= 0x41
		check("a byte", n, n+1, garbled)
	}
	for n := 0; n < len(file); n += tailSector {
		garbled := slices.Clone(file)
		clear(garbled[n : n+tailSector])
		check("a sector", n, n+tailSector, garbled)
	}
}

// TestTailOfAnEarlierVersion reads a file whose records follow each other up to the
// end of a page, over what an earlier generation left.
func TestTailOfAnEarlierVersion(t *testing.T) {
	file := make([]byte, 4*tailPage)
	for at, i := 0, 0; at < 3*tailPage; i++ {
		at += copy(file[at:], encodeTail(6, rowsFrom(500+i, 1)))
	}
	at, want := 0, 0
	for at < tailPage+1000 {
		record := encodeTail(7, rowsFrom(want, 6))
		if left := tailPage - at%tailPage; left < len(record) {
			at += left
		}
		at += copy(file[at:], record)
		want += 6
	}
	generation, rows, err := readTail(bytes.NewReader(file))
	require.NoError(t, err)
	assert.Equal(t, uint64(7), generation)
	require.Len(t, rows, want)
	for i, r := range rows {
		require.Equal(t, row(i).Time, r.Row.Time)
	}
}

// TestTailCostsASector keeps two hours and looks at the length of the file.
func TestTailCostsASector(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	for i := range 120 * 6 {
		require.NoError(t, s.AppendRow(id, row(i)))
		if i%6 == 5 {
			require.NoError(t, s.Keep(t.Context()))
		}
	}
	info, err := os.Stat(s.tailPath())
	require.NoError(t, err)
	assert.Equal(t, int64(120*tailSector), info.Size())
}
