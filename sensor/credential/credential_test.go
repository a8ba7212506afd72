package credential

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSecret(t *testing.T) {
	_, err := Secret("push-token")
	assert.EqualError(t, err, `"push-token" is the name of a systemd credential, but systemd gave none; use LoadCredential=push-token:/path in the unit, or write a path`)
	dir := t.TempDir()
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	for name, c := range map[string]struct{ text, want, trouble string }{
		"push-token": {"tk-1234\n", "tk-1234", ""},
		"empty":      {"\n", "", "is empty"},
		"two-lines":  {"a\nb", "", "has more than one line"},
		"large":      {strings.Repeat("x", maxSecret+1), "", "is larger than 4096 bytes"},
	} {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(c.text), 0o600))
		for _, name := range []string{name, path} {
			got, err := Secret(name)
			assert.Equal(t, c.want, got)
			if c.trouble == "" {
				assert.NoError(t, err)
			} else {
				assert.ErrorContains(t, err, c.trouble)
			}
		}
	}
	_, err = Secret("missing")
	assert.ErrorContains(t, err, "no such file")
	_, err = Trust(filepath.Join(dir, "push-token"))
	assert.ErrorContains(t, err, "holds no certificate in PEM form")
}
