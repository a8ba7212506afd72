package text

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// said finds a key that is written out where it is said.
var said = regexp.MustCompile(`\.(Say|SayN)\("([a-z0-9_.-]*[a-z0-9])"`)

// TestEveryKeyThatIsSaidIsThere looks through the program for keys that are not in the
// catalogue.
func TestEveryKeyThatIsSaidIsThere(t *testing.T) {
	en, err := Load("en")
	require.NoError(t, err)
	found := 0
	err = filepath.WalkDir(filepath.Join("..", ".."), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, m := range said.FindAllStringSubmatch(string(source), -1) {
			found++
			if m[1] == "SayN" {
				assert.Contains(t, en, m[2]+".one", path)
				assert.Contains(t, en, m[2]+".many", path)
				continue
			}
			assert.Contains(t, en, m[2], path)
		}
		return nil
	})
	require.NoError(t, err)
	assert.Greater(t, found, 20)
}
