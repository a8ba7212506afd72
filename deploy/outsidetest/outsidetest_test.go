package outsidetest

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestProgramIsForCI: a program that is installed, as the shell is everywhere,
// changes nothing for a run outside CI.
func TestProgramIsForCI(t *testing.T) {
	t.Setenv("CI", "")
	skipped := false
	t.Run("outside", func(t *testing.T) {
		defer func() { skipped = t.Skipped() }()
		Program(t, "dash", "sh")
	})
	assert.True(t, skipped)
	t.Setenv("CI", "true")
	assert.NotEmpty(t, Program(t, "dash", "no-such-program", "sh"))
}

// TestNobodyElseLooks: no other test of the module looks for programs by itself.
func TestNobodyElseLooks(t *testing.T) {
	seen := 0
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") || filepath.Base(path) == "outsidetest_test.go" {
			return err
		}
		seen++
		text, err := os.ReadFile(path)
		assert.False(t, bytes.Contains(text, []byte("exec.LookPath")), "%s looks for a program itself; use outsidetest.Program", path)
		return err
	})
	require.NoError(t, err)
	assert.Greater(t, seen, 100, "the tests of the module were not found")
}
