package replay

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
)

const simulated = "../../../../testdata/rises/"

// replayed replays the simulated rise 009, after the rises of a folder.
func replayed(t *testing.T, past string) string {
	t.Helper()
	cfg, err := config.Load(simulated+"009.yaml", config.WithoutSensors)
	require.NoError(t, err)
	var out bytes.Buffer
	o := Options{Config: cfg, Record: simulated + "009.csv", Out: &out, JSON: true, Past: past}
	require.NoError(t, Check(t.Context(), &o))
	require.NoError(t, Run(t.Context(), o))
	return out.String()
}

// TestPastRisesTeach plays the very rise as an earlier one: what it taught must show,
// though the record is no later than what was learned from, and must leave no file.
func TestPastRisesTeach(t *testing.T) {
	past, temp := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", temp)
	body, err := os.ReadFile(simulated + "009.csv")
	require.NoError(t, err)
	for _, name := range []string{"b.csv", "a.csv", "notes.txt"} {
		require.NoError(t, os.WriteFile(filepath.Join(past, name), body, 0o600))
	}
	plain, taught := replayed(t, ""), replayed(t, past)
	assert.NotEqual(t, plain, taught)
	assert.Contains(t, taught, `"kind":"reached"`)
	assert.NotContains(t, taught, "unwatched", "the past was no watch that broke off")
	left, err := os.ReadDir(temp)
	require.NoError(t, err)
	assert.Empty(t, left)
}

// TestEachPastRiseTeachesOnce: each has a lesson of its own, and none goes on where the
// one before it ended, in the cold for instance.
func TestEachPastRiseTeachesOnce(t *testing.T) {
	t.Parallel()
	past := t.TempDir()
	body, err := os.ReadFile(simulated + "009.csv")
	require.NoError(t, err)
	for _, name := range []string{"a.csv", "b.csv"} {
		require.NoError(t, os.WriteFile(filepath.Join(past, name), body, 0o600))
	}
	cfg, err := config.Load(simulated+"009.yaml", config.WithoutSensors)
	require.NoError(t, err)
	o := Options{Config: cfg, Record: simulated + "009.csv", Past: past}
	require.NoError(t, Check(t.Context(), &o))
	known, err := learnFrom(t.Context(), o)
	require.NoError(t, err)
	var lessons []string
	for key := range known {
		if strings.HasPrefix(key, app.LearnedPrefix) {
			lessons = append(lessons, key)
			assert.Regexp(t, `/v/\d+$`, key, "the service reads a vessel's lessons by the number of their rise")
		}
	}
	assert.Len(t, lessons, 2, "%v", lessons)
}
