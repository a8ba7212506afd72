package storetest_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/alert/storetest"
	"tidemark/bake"
	"tidemark/history"
)

// The SQLite store of package history keeps the promises of alert.Store.
func TestSQLite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Harness {
		path := filepath.Join(t.TempDir(), "tidemark.db")
		s, err := history.Open(t.Context(), path, history.Options{})
		require.NoError(t, err)
		current := s
		t.Cleanup(func() { _ = current.Close(t.Context()) })
		rise, err := s.BeginRise(t.Context(), bake.Rise{Vessel: "tub", StartedAt: time.Date(2026, 11, 7, 12, 0, 0, 0, time.UTC)}, nil)
		require.NoError(t, err)
		return storetest.Harness{Store: s, Rise: rise, Reopen: func() alert.Store {
			require.NoError(t, current.Close(t.Context()))
			current, err = history.Open(t.Context(), path, history.Options{})
			require.NoError(t, err)
			return current
		}}
	})
}
