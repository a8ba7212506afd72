package history

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/estimator"
)

// foldDeed is a fold of a rise with all that it may change.
func foldDeed(r Rise) Deed {
	folded := row(3)
	folded.Event = estimator.Fold
	r.TargetPercent = 75
	return Deed{
		Act: Act{RiseID: r.ID, At: t0, Kind: "fold", By: "page"}, Rise: &r,
		Events: []RiseRow{{r.ID, folded}}, Processes: map[int64][]byte{r.ID: []byte(`{"fold-1":"done"}`)},
	}
}

func TestADeedIsStoredWhole(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	r, err := s.Rise(ctx, begin(t, s, "tub", t0))
	require.NoError(t, err)
	id, err := s.KeepDeed(ctx, foldDeed(r))
	require.NoError(t, err)
	acts, err := s.Acts(ctx, r.ID)
	require.NoError(t, err)
	require.Len(t, acts, 1)
	assert.Equal(t, id, acts[0].ID)
	rows := collect(t, s, r.ID)
	require.Len(t, rows, 1)
	assert.Equal(t, estimator.Fold, rows[0].Event)
	body, err := s.Process(ctx, r.ID)
	require.NoError(t, err)
	assert.JSONEq(t, `{"fold-1":"done"}`, string(body))
	kept, err := s.Rise(ctx, r.ID)
	require.NoError(t, err)
	assert.Equal(t, 75.0, kept.TargetPercent)
}

// TestADeedThatFailsLeavesNothing makes each of its parts fail in turn.
func TestADeedThatFailsLeavesNothing(t *testing.T) {
	for _, on := range []string{"INSERT ON events", "INSERT ON processes", "INSERT ON samples", "UPDATE ON rises"} {
		t.Run(on, func(t *testing.T) {
			s := openTest(t, Options{FlushEvery: time.Hour})
			ctx := t.Context()
			r, err := s.Rise(ctx, begin(t, s, "tub", t0))
			require.NoError(t, err)
			_, err = s.files.write.Exec("CREATE TRIGGER broken AFTER " + on + " BEGIN SELECT RAISE(ABORT, 'broken'); END")
			require.NoError(t, err)
			_, err = s.KeepDeed(ctx, foldDeed(r))
			require.ErrorContains(t, err, "broken")
			acts, err := s.Acts(ctx, r.ID)
			require.NoError(t, err)
			assert.Empty(t, acts)
			assert.Empty(t, collect(t, s, r.ID))
			_, err = s.Process(ctx, r.ID)
			require.ErrorIs(t, err, ErrNotFound)
			kept, err := s.Rise(ctx, r.ID)
			require.NoError(t, err)
			assert.Equal(t, r, kept)
		})
	}
}

// TestADeedTakenBack reopens the rise that it ended, with its steps.
func TestADeedTakenBack(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	r, err := s.Rise(ctx, begin(t, s, "tub", t0))
	require.NoError(t, err)
	ended := r
	ended.EndedAt = t0.Add(time.Hour)
	id, err := s.KeepDeed(ctx, Deed{Act: Act{RiseID: r.ID, At: ended.EndedAt, Kind: "shaped"}, Rise: &ended, Processes: map[int64][]byte{r.ID: []byte("done")}})
	require.NoError(t, err)
	a, err := s.Act(ctx, id)
	require.NoError(t, err)
	a.Undone = true
	back := Deed{Act: a, Rise: &r, Reopened: true, Processes: map[int64][]byte{r.ID: []byte("open")}}
	_, err = s.files.write.Exec("CREATE TRIGGER broken AFTER UPDATE ON processes BEGIN SELECT RAISE(ABORT, 'broken'); END")
	require.NoError(t, err)
	_, err = s.KeepDeed(ctx, back)
	require.ErrorContains(t, err, "broken")
	open, err := s.OpenRises(ctx)
	require.NoError(t, err)
	assert.Empty(t, open, "nothing of it is stored")
	_, err = s.files.write.Exec("DROP TRIGGER broken")
	require.NoError(t, err)

	same, err := s.KeepDeed(ctx, back)
	require.NoError(t, err)
	assert.Equal(t, id, same)
	open, err = s.OpenRises(ctx)
	require.NoError(t, err)
	require.Len(t, open, 1)
	acts, err := s.Acts(ctx, r.ID)
	require.NoError(t, err)
	require.Len(t, acts, 1)
	assert.True(t, acts[0].Undone)
	body, err := s.Process(ctx, r.ID)
	require.NoError(t, err)
	assert.Equal(t, "open", string(body))
}

// TestADeedThatEndsARise stores the samples that waited.
func TestADeedThatEndsARise(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	r, err := s.Rise(ctx, begin(t, s, "tub", t0))
	require.NoError(t, err)
	for i := range 400 {
		require.NoError(t, s.AppendRow(r.ID, row(i)))
	}
	r.EndedAt = t0.Add(70 * time.Minute)
	_, err = s.KeepDeed(ctx, Deed{Act: Act{RiseID: r.ID, At: r.EndedAt, Kind: "end"}, Rise: &r})
	require.NoError(t, err)
	assert.Equal(t, 400, inDatabase(t, s))
	done, err := s.Rise(ctx, r.ID)
	require.NoError(t, err)
	assert.InDelta(t, 24.5, done.MeanDoughC, 1e-9)
	open, err := s.OpenRises(ctx)
	require.NoError(t, err)
	assert.Empty(t, open)
}

// TestADeedOnAFullDiskIsHeld keeps all parts of it in memory until the disk takes them.
func TestADeedOnAFullDiskIsHeld(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	r, err := s.Rise(ctx, begin(t, s, "tub", t0))
	require.NoError(t, err)
	free := fill(t, s)
	d := foldDeed(r)
	big := make([]byte, 9000)
	for i := range big {
		big[i] = 'x'
	}
	d.Processes[r.ID] = big
	id, err := s.KeepDeed(ctx, d)
	require.NoError(t, err)
	check := func() {
		t.Helper()
		acts, err := s.Acts(ctx, r.ID)
		require.NoError(t, err)
		require.Len(t, acts, 1)
		assert.Equal(t, id, acts[0].ID)
		require.Len(t, collect(t, s, r.ID), 1)
		body, err := s.Process(ctx, r.ID)
		require.NoError(t, err)
		assert.Equal(t, big, body)
		kept, err := s.Rise(ctx, r.ID)
		require.NoError(t, err)
		assert.Equal(t, 75.0, kept.TargetPercent)
	}
	check()
	assert.Equal(t, 3, s.Health().HeldWrites)
	free()
	d.Act.RiseID, d.Rise.TargetPercent, d.Events = r.ID+1, 80, nil
	_, err = s.KeepDeed(ctx, d)
	require.NoError(t, err)
	kept, err := s.Rise(ctx, r.ID)
	require.NoError(t, err)
	assert.Equal(t, 80.0, kept.TargetPercent, "what was held is older")
	d.Rise.TargetPercent = 75
	require.NoError(t, s.UpdateRise(ctx, *d.Rise))
	require.NoError(t, s.Flush(ctx))
	assert.Zero(t, s.Health().HeldWrites)
	check()
}

func TestADeedOfNothingIsRefused(t *testing.T) {
	s := openTest(t, Options{})
	r, err := s.Rise(t.Context(), begin(t, s, "tub", t0))
	require.NoError(t, err)
	for _, c := range []struct {
		name   string
		change func(*Deed)
		want   string
	}{
		{"no kind", func(d *Deed) { d.Act.Kind = "" }, "needs a kind and a time"},
		{"data", func(d *Deed) { d.Act.Data = []byte("{") }, "not JSON"},
		{"event of no rise", func(d *Deed) { d.Events[0].RiseID = 0 }, "needs a rise and a time"},
		{"reopened with an end", func(d *Deed) { d.Reopened, d.Rise.EndedAt = true, t0 }, "has no end"},
		{"rise without number", func(d *Deed) { d.Rise.ID = 0 }, "needs its id"},
		{"rise without vessel", func(d *Deed) { d.Rise.Vessel = "" }, "needs a vessel"},
	} {
		d := foldDeed(r)
		c.change(&d)
		_, err := s.KeepDeed(t.Context(), d)
		require.ErrorContains(t, err, c.want, c.name)
	}
}
