package app

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// elsewhere is a backup of an invented machine with one finished rise and one under
// way, in the tub.
func elsewhere(t *testing.T, at time.Time) string {
	t.Helper()
	s, err := history.Open(t.Context(), filepath.Join(t.TempDir(), "tidemark.db"), history.Options{})
	require.NoError(t, err)
	for i, end := range []time.Time{at.Add(8 * time.Hour), {}} {
		start := at.Add(time.Duration(i) * 24 * time.Hour)
		r := bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: start}
		r.ID, err = s.BeginRise(t.Context(), r, nil)
		require.NoError(t, err)
		require.NoError(t, s.AppendRow(r.ID, bake.Recorded{Time: start.Add(time.Minute), DistanceMM: 180}))
		if !end.IsZero() {
			r.EndedAt = end
			require.NoError(t, s.UpdateRise(t.Context(), r))
		}
	}
	file := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, s.Backup(t.Context(), file))
	require.NoError(t, s.Close(t.Context()))
	return file
}

// TestTakeBackupWhileWatching exchanges the past in the midst of a rise: the rise goes
// on, over a restart too, and its start can be taken back.
func TestTakeBackupWhileWatching(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ctx := t.Context()
	b.run(2 * time.Hour)
	b.do(bake.Event{Kind: bake.EventFold})
	b.run(3 * time.Hour)
	before := b.app.State("tub").Estimate
	id := b.app.Snapshot().Vessels[0].RiseID
	file := elsewhere(t, b.start.AddDate(0, -3, 0))

	found, err := b.app.CheckBackup(ctx, file)
	require.NoError(t, err)
	assert.Equal(t, 2, found.Backup.Rises)
	assert.Equal(t, []string{"tub"}, found.UnderWay)
	require.NoError(t, b.app.TakeBackup(ctx, file))
	page, err := b.store.Rises(ctx, history.Filter{})
	require.NoError(t, err)
	require.Len(t, page.Rises, 3)
	assert.True(t, page.Rises[0].UnderWay())
	assert.False(t, page.Rises[1].UnderWay(), "the other machine's rise is over")
	for _, watch := range []*bench{b, b.again()} {
		v := watch.app.Snapshot().Vessels[0]
		assert.Equal(t, id, v.RiseID)
		assert.InDelta(t, before.RisePercent, v.Estimate.RisePercent, 1)
		assert.Equal(t, before.Started, v.Estimate.Started)
		require.Len(t, v.Events, 2, "the start, by itself, and the fold")
		if watch != b {
			require.NoError(t, watch.app.Undo(ctx, "tub", 0, v.Events[0].ID))
			assert.Empty(t, watch.app.Snapshot().Vessels[0].Events)
		}
	}
}

// TestImportRecordFromThePage: a record of a vessel that is described becomes a
// rise with its percent, one of another vessel keeps its readings, and the CSV that
// the page exports comes back.
func TestImportRecordFromThePage(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ctx := t.Context()
	file := filepath.Join("..", "..", "..", "..", "testdata", "records", "invented-tub.csv")
	in, err := b.app.ImportRecord(ctx, web.Record{File: file, Name: "r.csv", Vessel: "tub"})
	require.NoError(t, err)
	assert.True(t, in.Shape)
	r, err := b.store.Rise(ctx, in.RiseID)
	require.NoError(t, err)
	assert.True(t, r.Imported)
	assert.Positive(t, r.PeakPercent)

	_, err = b.app.ImportRecord(ctx, web.Record{File: file, Name: "r.csv", Vessel: "tub"})
	refusedWith(t, err, "tub was watched at that time already")
	_, err = b.app.ImportRecord(ctx, web.Record{File: file, Name: "r.csv", Vessel: "crock"})
	refusedWith(t, err, "say whether it held dough or starter")
	in, err = b.app.ImportRecord(ctx, web.Record{File: file, Name: "r.csv", Vessel: "crock", Holds: estimator.Dough})
	require.NoError(t, err)
	assert.False(t, in.Shape)

	bad := filepath.Join(t.TempDir(), "x.csv")
	for rows, want := range map[string]string{
		"noon,1,2,3,\n":                "r.csv:2:1",
		"2026-03-14T10:00:00Z,x,,,\n":  "r.csv:2:22",
		"2026-03-14T10:00:00Z,,20,,\n": "holds no rise",
		"2026-03-14T10:00:00Z,100,,,start\n2026-03-14T11:00:00Z,99,,,start\n": "r.csv:3: a second start",
	} {
		require.NoError(t, os.WriteFile(bad, []byte("time,distance_mm,dough_c,air_c,event\n"+rows), 0o600))
		_, err = b.app.ImportRecord(ctx, web.Record{File: bad, Name: "r.csv", Vessel: "tub"})
		refusedWith(t, err, want)
	}
}
