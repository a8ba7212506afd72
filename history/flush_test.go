package history

import (
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

// TestSamplesAreWrittenSoonAfterTheStartThenOnceAMinuteAndOnEvents: a process that
// dies after each few seconds leaves something each time.
func TestSamplesAreWrittenSoonAfterTheStartThenOnceAMinuteAndOnEvents(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tidemark.db")
	synctest.Test(t, func(t *testing.T) {
		s := must(Open(t.Context(), path, Options{}))
		defer closing(t, s)
		id := begin(t, s, "tub", t0)
		began, i := time.Now(), 0
		for _, at := range []time.Duration{5, 10, 20, 40, 100, 160} {
			for ; time.Since(began) < at*time.Second; i++ {
				require.NoError(t, s.AppendRow(id, row(i)))
				time.Sleep(time.Second)
				synctest.Wait()
				if now := time.Since(began); now < at*time.Second {
					require.NotZero(t, s.Health().WaitingRows, "not before %d s", at)
				}
			}
			assert.Zero(t, s.Health().WaitingRows, "%d s after the start", at)
		}
		time.Sleep(time.Second)
		assert.Equal(t, time.Second, time.Since(s.Health().LastCommit).Round(time.Second))

		fold := row(6)
		fold.Event = estimator.Fold
		require.NoError(t, s.AppendRow(id, fold))
		synctest.Wait()
		assert.Zero(t, s.Health().WaitingRows, "an event does not wait")

		time.Sleep(10 * time.Minute)
		synctest.Wait()
		assert.Less(t, time.Since(s.Health().LastCommit), time.Minute, "a quiet writer still shows that it lives")
	})
}

func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Millisecond})
	id := begin(t, s, "tub", t0)
	var all sync.WaitGroup
	each := func(n int, do func(i int) error) {
		all.Go(func() {
			for i := range n {
				if err := do(i); err != nil {
					t.Errorf("%v", err)
					return
				}
			}
		})
	}
	const rows = 3000
	each(rows, func(i int) error { return s.AppendRow(id, row(i)) })
	each(60, func(i int) error {
		return s.SaveAlarms(ctx, []alert.Alarm{alarm(fmt.Sprint(i), id, alert.Firing, t0)}, []alert.Notification{notification(fmt.Sprint(i), fmt.Sprint(i), t0)})
	})
	each(60, func(i int) error { return s.Settings().Set(ctx, fmt.Sprint("k", i%7), []byte{byte(i)}) })
	each(20, func(int) error {
		last := time.Time{}
		rows, err := s.Rows(ctx, id, time.Time{}, time.Time{})
		for _, r := range rows {
			if !r.Time.After(last) {
				return fmt.Errorf("sample %s after %s", r.Time, last)
			}
			last = r.Time
		}
		return err
	})
	each(60, func(int) error { _, err := s.WaitingNotifications(ctx); return err })
	each(100, func(int) error { s.Health(); return s.Flush(ctx) })
	all.Wait()
	require.NoError(t, s.Flush(ctx))
	assert.Len(t, collect(t, s, id), rows)
	alarms := must(s.OpenAlarms(ctx))
	assert.Len(t, alarms, 60)
}

// TestTheEndOfARiseSumsUpItsSamples those that wait for the disk included.
func TestTheEndOfARiseSumsUpItsSamples(t *testing.T) {
	s := openTest(t, Options{FlushEvery: time.Hour})
	ctx := t.Context()
	id := begin(t, s, "tub", t0)
	for i := range 30 {
		require.NoError(t, s.AppendRow(id, row(i)))
	}
	require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: id, Vessel: "tub", StartedAt: t0, EndedAt: t0.Add(time.Hour)}))
	r := must(s.Rise(ctx, id))
	assert.InDelta(t, 24.5, r.MeanDoughC, 1e-9)
	assert.Zero(t, s.Health().WaitingRows)
	assert.Len(t, collect(t, s, id), 30)
}
