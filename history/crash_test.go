package history

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// crash leaves the files as a process that died at this moment would, and closes
// the store without its last writes reaching them.
func crash(t testing.TB, s *Store) {
	t.Helper()
	dir := t.TempDir()
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, s.path+suffix, filepath.Join(dir, "db"+suffix))
	}
	require.NoError(t, s.Close(t.Context()))
	for _, suffix := range []string{"", "-wal"} {
		copyFile(t, filepath.Join(dir, "db"+suffix), s.path+suffix)
	}
}

// copyFile copies a file.
func copyFile(t testing.TB, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(to)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, err)
	require.NoError(t, out.Close())
}
