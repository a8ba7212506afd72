package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
)

// kitchen is a state directory with an invented household's rises.
type kitchen struct{ dir, db, config string }

// newKitchen stores a few invented rises.
func newKitchen(t *testing.T) kitchen {
	t.Helper()
	k := kitchen{dir: t.TempDir()}
	k.db, k.config = filepath.Join(k.dir, "tidemark.db"), filepath.Join(k.dir, "tidemark.yaml")
	require.NoError(t, os.WriteFile(k.config, fmt.Appendf(nil, "state_dir: %s\n", k.dir), 0o600))
	s, err := history.Open(t.Context(), k.db, history.Options{})
	require.NoError(t, err)
	start := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)
	for day := range 3 {
		at := start.Add(time.Duration(day) * 48 * time.Hour)
		id, err := s.BeginRise(t.Context(), bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: at, Demo: true}, nil)
		require.NoError(t, err)
		for i := range 60 {
			require.NoError(t, s.AppendRow(id, bake.Recorded{Time: at.Add(time.Duration(i) * time.Minute), DistanceMM: 180, DoughC: 24, AirC: 21}))
		}
		require.NoError(t, s.UpdateRise(t.Context(), bake.Rise{ID: id, Vessel: "tub", Holds: estimator.Dough, StartedAt: at, EndedAt: at.Add(time.Hour), Demo: true}))
	}
	require.NoError(t, s.Close(t.Context()))
	return k
}

// call runs tidemark history and returns what it printed.
func (k kitchen) call(t *testing.T, in string, args ...string) (string, error) {
	t.Helper()
	return said(t, in, func(s streams) error { return runHistory(t.Context(), s, append(args, "--config", k.config)) })
}

func TestHistoryBackupAndRestore(t *testing.T) {
	t.Parallel()
	k := newKitchen(t)
	file := filepath.Join(k.dir, "copy.db")
	out, err := k.call(t, "", "backup", file)
	require.NoError(t, err)
	assert.Contains(t, out, "and checked: 3 rises, 180 samples")
	out, err = k.call(t, "n\n", "restore", file)
	require.ErrorContains(t, err, "nothing was changed")
	assert.Contains(t, out, "is sound: 3 rises")
	require.NoError(t, os.Remove(k.db))
	_, err = k.call(t, "", "backup", file)
	require.ErrorContains(t, err, "there is no history at "+k.db+" (named by state_dir in "+k.config+"); name it with --db FILE")
	out, err = k.call(t, "yes\n", "restore", file)
	require.NoError(t, err)
	assert.Contains(t, out, "Restored to "+k.db)
	out, err = k.call(t, "", "restore", file, "--yes")
	require.NoError(t, err)
	assert.Contains(t, out, "The history from before is kept as "+k.db+".before-restore-")

	out, err = k.call(t, "n\n", "new")
	require.ErrorContains(t, err, "nothing was changed")
	assert.Contains(t, out, "Begin an empty history in the place of "+k.db)
	out, err = k.call(t, "", "new", "--yes")
	require.NoError(t, err)
	assert.Contains(t, out, "An empty history is in "+k.db)
	out, err = k.call(t, "", "backup", filepath.Join(k.dir, "empty.db"))
	require.NoError(t, err)
	assert.Contains(t, out, "0 rises")
	_, err = k.call(t, "", "restore", file, "--yes")
	require.NoError(t, err)

	s, err := history.Open(t.Context(), k.db, history.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close(context.WithoutCancel(t.Context()))) }()
	for _, words := range [][]string{{"restore", file, "--yes"}, {"new", "--yes"}} {
		_, err = k.call(t, "", words...)
		require.ErrorContains(t, err, "sudo systemctl stop tidemark")
	}
	_, err = k.call(t, "", "backup", filepath.Join(k.dir, "beside.db"))
	require.NoError(t, err, "a backup is written beside the service")
}

func TestHistoryFindsItsFile(t *testing.T) {
	k := newKitchen(t)
	nowhere := filepath.Join(k.dir, "none.yaml")
	for _, c := range []struct{ db, service, state, config, path, how string }{
		{k.db, "/elsewhere", "", nowhere, k.db, "named by --db"},
		{"", k.dir + ":/elsewhere", "", k.config, k.db, "named by STATE_DIRECTORY"},
		{"", k.dir, "/not", k.config, "/not/tidemark.db", "named by TIDEMARK_STATE"},
		{"", "", "", k.config, k.db, "named by state_dir in " + k.config},
		{"", "", "", nowhere, "/var/lib/tidemark/tidemark.db", "the usual place"},
	} {
		t.Setenv("STATE_DIRECTORY", c.service)
		t.Setenv("TIDEMARK_STATE", c.state)
		path, how, err := findHistory(c.db, c.config)
		require.NoError(t, err)
		assert.Equal(t, []string{c.path, c.how}, []string{path, how})
	}
	require.NoError(t, os.WriteFile(k.config, []byte("state_dir: ["), 0o600))
	_, _, err := findHistory("", k.config)
	require.ErrorContains(t, err, "tidemark.yaml:1")
}

func TestHistoryRefuses(t *testing.T) {
	t.Parallel()
	k := newKitchen(t)
	bad := filepath.Join(k.dir, "bad.csv")
	require.NoError(t, os.WriteFile(bad, []byte("no database"), 0o600))
	for want, args := range map[string][]string{
		`"" is not known; write backup FILE, restore FILE or new`: nil, `"dance" is not known`: {"dance"}, `"backup" is not known`: {"backup"},
		`"new x" is not known`: {"new", "x"}, "it is no sound history": {"restore", bad},
	} {
		_, err := k.call(t, "", args...)
		assert.ErrorContains(t, err, want, "%v", args)
	}
}
