package history

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
)

// t0 is an invented moment that all tests count from.
var t0 = time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC)

// openTest opens a fresh store that is closed at the end of the test.
func openTest(t testing.TB, opt Options) *Store {
	t.Helper()
	s := must(Open(t.Context(), filepath.Join(t.TempDir(), "tidemark.db"), opt))
	t.Cleanup(func() { _ = s.Close(context.WithoutCancel(t.Context())) })
	return s
}

// must returns a value that has to be there.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// closing closes a store and its failure is the test's.
func closing(t testing.TB, s *Store) {
	if err := s.Close(context.WithoutCancel(t.Context())); !errors.Is(err, ErrClosed) {
		assert.NoError(t, err)
	}
}

// fullRise has every field set.
func fullRise() bake.Rise {
	return bake.Rise{
		Vessel: "tub", Holds: estimator.Dough, StartedAt: t0, BaselineL: 1.25, BaselineSDL: 0.01,
		TargetPercent: 100, ReachedAt: t0.Add(5 * time.Hour), PeakPercent: 112.5, PeakAt: t0.Add(6 * time.Hour),
		MeanDoughC: 25.5, MaxRate: 31, CeilingPercent: 120, Phase: estimator.Rising, PhaseSince: t0.Add(time.Hour),
		Batch: []byte(`{"flour":500}`), Judgement: bake.Judgement{Outcome: "right", OvenSpring: "good", Note: "seeded crust"}, Demo: true,
		EquivHours: 6.5, PeakEquivHours: 6.4, ReachedEquivHours: 5.25, Imported: true,
	}
}

// begin starts a simple rise.
func begin(t testing.TB, s *Store, vessel string, at time.Time) int64 {
	t.Helper()
	id := must(s.BeginRise(t.Context(), bake.Rise{Vessel: vessel, Holds: estimator.Dough, StartedAt: at, Phase: estimator.Lag}, nil))
	return id
}

// row is a sample i*10 s after t0.
func row(i int) bake.Recorded {
	return bake.Recorded{
		Time: t0.Add(time.Duration(i) * 10 * time.Second), DistanceMM: 150 - float64(i)/100, DoughC: 24.5,
		AirC: math.NaN(), RisePercent: float64(i) / 10, RiseSD: 0.5, EquivHours: float64(i) / 360,
	}
}

// collect reads all samples of a rise.
func collect(t testing.TB, s *Store, id int64) []bake.Recorded {
	t.Helper()
	out := must(s.Rows(t.Context(), id, time.Time{}, time.Time{}))
	return out
}

// rounded is a row as the file has it.
func rounded(r bake.Recorded) bake.Recorded {
	x := riseRow{Row: r}
	for _, f := range samples().fields(&x)[1:] {
		c := f.(interface {
			driver.Valuer
			sql.Scanner
		})
		v, _ := c.Value()
		_ = c.Scan(v)
	}
	return x.Row
}

// equalRows compares samples; NaN equals NaN.
func equalRows(t testing.TB, want, got []bake.Recorded) {
	t.Helper()
	require.Len(t, got, len(want))
	for i := range want {
		require.Equal(t, fmt.Sprintf("%+v", rounded(want[i])), fmt.Sprintf("%+v", rounded(got[i])), "row %d", i)
	}
}

func TestEveryConnectionHasItsPragmas(t *testing.T) {
	s := openTest(t, Options{})
	for i := range s.db.Stats().MaxOpenConnections { // all at once, so that none is asked twice
		conn := must(s.db.Conn(t.Context()))
		defer conn.Close()
		for pragma, want := range map[string]string{"synchronous": "2", "journal_mode": "wal", "busy_timeout": "10000", "trusted_schema": "0"} {
			var got string
			require.NoError(t, conn.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got))
			assert.Equal(t, want, got, "connection %d: %s", i, pragma)
		}
	}
}

func TestRiseComesBackAsItWas(t *testing.T) {
	s := openTest(t, Options{})
	want := fullRise()
	id := must(s.BeginRise(t.Context(), want, nil))
	want.ID = id
	got := must(s.Rise(t.Context(), id))
	assert.Equal(t, want, got)

	bare := bake.Rise{Vessel: "jar", Holds: estimator.Starter, StartedAt: t0, PeakPercent: math.NaN(), MeanDoughC: math.NaN()}
	id = must(s.BeginRise(t.Context(), bare, nil))
	got = must(s.Rise(t.Context(), id))
	assert.True(t, math.IsNaN(got.PeakPercent))
	assert.True(t, math.IsNaN(got.MeanDoughC))
	assert.True(t, got.UnderWay())
	assert.Nil(t, got.Batch)
	assert.True(t, got.ReachedAt.IsZero())
}

func TestUpdateLeavesTheJudgementAlone(t *testing.T) {
	s := openTest(t, Options{})
	r := fullRise()
	id := must(s.BeginRise(t.Context(), r, nil))
	require.NoError(t, s.JudgeRise(t.Context(), id, bake.Judgement{Outcome: "over", OvenSpring: "flat", Note: "slept in"}))
	r.ID, r.Phase, r.Batch = id, estimator.Over, nil
	require.NoError(t, s.UpdateRise(t.Context(), r))
	got := must(s.Rise(t.Context(), id))
	assert.Equal(t, bake.Judgement{Outcome: "over", OvenSpring: "flat", Note: "slept in"}, got.Judgement)
	assert.Equal(t, estimator.Over, got.Phase)
	assert.Equal(t, `{"flour":500}`, string(got.Batch))
}

func TestRefusedRises(t *testing.T) {
	s := openTest(t, Options{})
	for name, c := range map[string]struct {
		do   func() error
		want string
	}{
		"no vessel":    {func() error { _, err := s.BeginRise(t.Context(), bake.Rise{StartedAt: t0}, nil); return err }, "needs a vessel and a start"},
		"no start":     {func() error { _, err := s.BeginRise(t.Context(), bake.Rise{Vessel: "a"}, nil); return err }, "needs a vessel and a start"},
		"odd outcome":  {func() error { return s.JudgeRise(t.Context(), 1, bake.Judgement{Outcome: "nice"}) }, `outcome "nice" is not known`},
		"unknown rise": {func() error { return s.JudgeRise(t.Context(), 99, bake.Judgement{}) }, "no such record: rise 99"},
		"no id":        {func() error { return s.UpdateRise(t.Context(), bake.Rise{Vessel: "a", StartedAt: t0}) }, "needs its id"},
		"row no rise":  {func() error { return s.AppendRow(0, row(1)) }, "needs a rise"},
		"row no time":  {func() error { return s.AppendRow(1, bake.Recorded{}) }, "needs a time"},
		"bad cursor":   {func() error { _, err := s.Rises(t.Context(), Filter{Cursor: "!"}); return err }, "not a place in the list"},
		"bad limit":    {func() error { _, err := s.Rises(t.Context(), Filter{Limit: 501}); return err }, "1 to 500"},
	} {
		assert.ErrorContains(t, c.do(), c.want, name)
	}
	_, err := s.Rise(t.Context(), 5)
	assert.ErrorIs(t, err, ErrNotFound)
}

func TestListFiltersAndPages(t *testing.T) {
	s := openTest(t, Options{})
	for i := range 25 {
		id := begin(t, s, []string{"tub", "jar"}[i%2], t0.Add(time.Duration(i)*24*time.Hour))
		require.NoError(t, s.JudgeRise(t.Context(), id, bake.Judgement{
			Outcome: []string{"", "under", "right", "over"}[i%4], Note: fmt.Sprintf("loaf %d 100%% rye_%d", i, i)}))
	}
	pageAll := func(f Filter) (ids []int64) {
		for {
			p := must(s.Rises(t.Context(), f))
			for _, r := range p.Rises {
				ids = append(ids, r.ID)
			}
			if p.Next == "" {
				return ids
			}
			f.Cursor = p.Next
		}
	}
	all := pageAll(Filter{Limit: 7})
	require.Len(t, all, 25)
	for i, id := range all {
		assert.Equal(t, int64(25-i), id, "newest first, none twice")
	}
	assert.Len(t, pageAll(Filter{Vessel: "jar", Limit: 5}), 12)
	assert.Len(t, pageAll(Filter{Outcome: "right"}), 6)
	assert.Len(t, pageAll(Filter{Outcome: "none"}), 7)
	assert.Len(t, pageAll(Filter{From: t0.Add(48 * time.Hour), Until: t0.Add(5 * 24 * time.Hour)}), 3)
	assert.Len(t, pageAll(Filter{Text: "LOAF 7 100% RYE_7"}), 1)
	assert.Empty(t, pageAll(Filter{Text: "100_"}), "signs of the pattern language mean themselves")
	names := must(s.Vessels(t.Context()))
	assert.Equal(t, []string{"jar", "tub"}, names)
}

func TestRowsBeforeAndAfterTheCommit(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	var want []bake.Recorded
	for i := range 4500 {
		r := row(i)
		if i == 7 {
			r.DistanceMM, r.Rejected = math.NaN(), "lid"
		}
		want = append(want, r)
		require.NoError(t, s.AppendRow(id, r))
		if i == 4400 {
			require.NoError(t, s.Flush(t.Context()))
		}
	}
	equalRows(t, want, collect(t, s, id))
	require.NoError(t, s.Flush(t.Context()))
	assert.Zero(t, s.Health().WaitingRows)
	equalRows(t, want, collect(t, s, id))

	part := must(s.Rows(t.Context(), id, row(10).Time, row(20).Time))
	equalRows(t, want[10:20], part)
}

func TestSameMomentKeepsTheEvent(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	a, b := row(1), row(1)
	a.Event, b.RisePercent = estimator.Fold, 42
	require.NoError(t, s.AppendRow(id, a))
	require.NoError(t, s.AppendRow(id, b))
	require.NoError(t, s.Flush(t.Context()))
	b.Event = estimator.Fold
	equalRows(t, []bake.Recorded{b}, collect(t, s, id))
}

func TestThinKeepsWhatAChartNeeds(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	for i := range 5000 {
		r := row(i)
		if i == 2501 {
			r.Event = estimator.Fold
		}
		require.NoError(t, s.AppendRow(id, r))
	}
	for _, n := range []int{4, 10, 301, 4999, 5000} {
		got := must(s.ThinRows(t.Context(), id, time.Time{}, time.Time{}, n))
		assert.LessOrEqual(t, len(got), n+2)
		assert.Equal(t, row(0).Time, got[0].Time)
		assert.Equal(t, row(4999).Time, got[len(got)-1].Time)
		assert.True(t, slices.IsSortedFunc(got, func(a, b bake.Recorded) int { return a.Time.Compare(b.Time) }))
		assert.True(t, slices.ContainsFunc(got, func(r bake.Recorded) bool { return r.Event == estimator.Fold }))
	}
	_, err := s.ThinRows(t.Context(), id, time.Time{}, time.Time{}, 3)
	require.ErrorContains(t, err, "4 points or more")
}

func TestSettingsForecastsPhotos(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	set := s.Settings()
	_, err := set.Get(t.Context(), "a")
	require.ErrorIs(t, err, ErrNotFound)
	require.NoError(t, set.SetAll(t.Context(), map[string][]byte{"session/1": []byte("x"), "session/2": []byte("y"), "unit": []byte("C")}))
	require.NoError(t, set.Set(t.Context(), "session/2", []byte("z")))
	got := must(set.List(t.Context(), "session/"))
	assert.Equal(t, map[string][]byte{"session/1": []byte("x"), "session/2": []byte("z")}, got)
	require.NoError(t, set.Delete(t.Context(), "session/1"))
	v := must(set.Get(t.Context(), "unit"))
	assert.Equal(t, "C", string(v))

	id := begin(t, s, "tub", t0)
	f := Forecast{RiseID: id, At: t0.Add(time.Hour), Ready: estimator.Window{From: t0, Median: t0.Add(time.Hour), Until: t0.Add(2 * time.Hour)}}
	require.NoError(t, s.AppendForecast(f))
	for range 2 { // waiting, then written
		got := must(s.Forecasts(t.Context(), id))
		assert.Equal(t, []Forecast{f}, got)
		require.NoError(t, s.Flush(t.Context()))
	}

	p := Photo{RiseID: id, At: t0, Type: "image/png", Bytes: make([]byte, 300_000)}
	p.ID = must(s.AddPhoto(t.Context(), p))
	back := must(s.Photo(t.Context(), p.ID))
	p.Size = 300_000
	assert.Equal(t, p, back)
	listed := must(s.Photos(t.Context(), id))
	p.Bytes = nil
	assert.Equal(t, []Photo{p}, listed)
	require.NoError(t, s.DeletePhoto(t.Context(), p.ID))
	_, err = s.Photo(t.Context(), p.ID)
	require.ErrorIs(t, err, ErrNotFound)
}

func TestDeleteRiseLeavesNothing(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	id, other := begin(t, s, "tub", t0), begin(t, s, "jar", t0)
	for _, i := range []int64{id, other} {
		require.NoError(t, s.AppendRow(i, row(1)))
	}
	require.NoError(t, s.Flush(t.Context()))
	require.NoError(t, s.DeleteRise(t.Context(), id))
	assert.Empty(t, collect(t, s, id))
	assert.Len(t, collect(t, s, other), 1)
	require.ErrorIs(t, s.DeleteRise(t.Context(), id), ErrNotFound)
}

func TestReopenAfterAnOrderlyStop(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "deep", "tidemark.db")
	s := must(Open(t.Context(), path, Options{}))
	assert.True(t, s.Opened().New)
	assert.False(t, s.Opened().Unclean)
	_, err := Open(t.Context(), path, Options{})
	require.ErrorIs(t, err, ErrInUse)
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(1)))
	require.NoError(t, s.Close(t.Context()))
	require.ErrorIs(t, s.Close(t.Context()), ErrClosed)
	_, err = s.Rise(t.Context(), id)
	require.ErrorIs(t, err, ErrClosed)

	g := must(Open(t.Context(), path, Options{ReadOnly: true}))
	assert.Len(t, collect(t, g, id), 1)
	require.NoError(t, g.Close(t.Context()))
	s = must(Open(t.Context(), path, Options{}))
	assert.False(t, s.Opened().New)
	assert.False(t, s.Opened().Unclean)
	assert.Len(t, collect(t, s, id), 1)
	open := must(s.OpenRises(t.Context()))
	assert.Len(t, open, 1)
	require.NoError(t, s.Close(t.Context()))
}

func TestReadingBesideTheService(t *testing.T) {
	s := openTest(t, Options{})
	id := begin(t, s, "tub", t0)
	g := must(Open(t.Context(), s.Path(), Options{ReadOnly: true}))
	r := must(g.Rise(t.Context(), id))
	assert.Equal(t, "tub", r.Vessel)
	_, err := g.BeginRise(t.Context(), r, nil)
	require.ErrorContains(t, err, "reading only")
	require.NoError(t, g.Close(t.Context()))
	_, err = Open(t.Context(), s.Path()+"x", Options{Beside: true})
	require.ErrorContains(t, err, "no such file")
}
