package lookback

import (
	"bytes"
	"context"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web/past"
	"tidemark/web/say"
)

var t0 = time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)

// TestAnExportComesBack exports an invented rise as the page does and imports it:
// the readings, their times and the events are the same.
func TestAnExportComesBack(t *testing.T) {
	ctx := t.Context()
	store, err := history.Open(ctx, filepath.Join(t.TempDir(), "tidemark.db"), history.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close(context.Background())) })
	id, err := store.BeginRise(ctx, history.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0})
	require.NoError(t, err)
	var want []history.Row
	for i := range 50 {
		r := history.Row{Time: t0.Add(time.Duration(i) * 10 * time.Second), DistanceMM: 180 - float64(i)/4, DoughC: 24.5, AirC: math.NaN(),
			RisePercent: float64(i), RiseSD: 1, EquivHours: float64(i) / 100}
		if i == 0 {
			r.Event = estimator.Start
		}
		if i == 20 {
			r.Rejected = `=far, "jump"`
		}
		want = append(want, r)
		require.NoError(t, store.AppendRow(id, r))
	}
	p := Printer{Store: store, House: say.House{Zone: time.UTC}}
	file := filepath.Join(t.TempDir(), "rise.csv")
	require.NoError(t, ToFile(file, func(w io.Writer) error { return p.Export(ctx, id, CSV, w) }))
	again, err := Import{File: file, Vessel: "copy", Holds: estimator.Dough}.Into(ctx, store)
	require.NoError(t, err)
	n := 0
	for r, err := range store.Rows(ctx, again, time.Time{}, time.Time{}) {
		require.NoError(t, err)
		assert.Equal(t, want[n].Time, r.Time)
		assert.InDelta(t, want[n].DistanceMM, r.DistanceMM, 1e-9)
		assert.Equal(t, want[n].Event, r.Event)
		n++
	}
	assert.Equal(t, len(want), n)
}

// TestColumnsAreCut: what is no export passes unchanged, however it is read.
func TestColumnsAreCut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOf(rapid.StringMatching(`[0-9a-z.]{0,8}(,[0-9a-z".]{0,8}){0,9}`)).Draw(t, "lines")
		text := strings.Join(lines, "\n")
		var r io.Reader = strings.NewReader(past.CSVHeader + text)
		if rapid.Bool().Draw(t, "slow") {
			r = iotest.OneByteReader(r)
		}
		got, err := io.ReadAll(asRecord(r))
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(strings.TrimSuffix(string(got), "\n"), "\n")[1:] {
			cells := strings.Split(lines[i], ",")
			if want := strings.Join(cells[:min(5, len(cells))], ","); line != want {
				t.Fatalf("%q became %q, not %q", lines[i], line, want)
			}
		}
		plain, err := io.ReadAll(asRecord(strings.NewReader(text)))
		if err != nil || string(plain) != text {
			t.Fatalf("%q became %q", text, plain)
		}
	})
}

func TestEndlessLinesAreRefused(t *testing.T) {
	long := past.CSVHeader + strings.Repeat("x", 1<<20)
	file := filepath.Join(t.TempDir(), "x.csv")
	require.NoError(t, os.WriteFile(file, []byte(long), 0o600))
	_, err := Import{File: file, Name: "x.csv"}.Into(t.Context(), nil)
	require.Error(t, err)
	got, err := io.ReadAll(asRecord(bytes.NewReader([]byte(long))))
	require.Error(t, err)
	assert.Less(t, len(got), 200)
}
