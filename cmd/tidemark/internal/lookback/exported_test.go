package lookback

import (
	"context"
	"io"
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
	"tidemark/web/past"
)

var t0 = time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)

// TestAnExportComesBack exports an invented rise as the page does and imports it:
// the readings, their times and the events are the same.
func TestAnExportComesBack(t *testing.T) {
	ctx := t.Context()
	store, err := history.Open(ctx, filepath.Join(t.TempDir(), "tidemark.db"), history.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close(context.Background())) })
	id, err := store.BeginRise(ctx, bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}, nil)
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
	p := Printer{Store: store, Words: text.New(text.Locale{})}
	file := filepath.Join(t.TempDir(), "rise.csv")
	require.NoError(t, ToFile(file, func(w io.Writer) error { return p.Export(ctx, id, false, w) }))
	again, err := Import{File: file, Vessel: "copy", Holds: estimator.Dough}.Into(ctx, store)
	require.NoError(t, err)
	rows, err := store.Rows(ctx, again, time.Time{}, time.Time{})
	require.NoError(t, err)
	require.Len(t, rows, len(want))
	for n, r := range rows {
		assert.Equal(t, want[n].Time, r.Time)
		assert.InDelta(t, want[n].DistanceMM, r.DistanceMM, 1e-9)
		assert.Equal(t, want[n].Event, r.Event)
	}
}

// TestTheHeaderOfAnExportIsThatOfTheRecords that read it.
func TestTheHeaderOfAnExportIsThatOfTheRecords(t *testing.T) {
	assert.Equal(t, record.ExportHeader+"\n", past.CSVHeader)
}
