package history

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	for i := range 100 {
		require.NoError(t, s.AppendRow(id, row(i)))
	}
	require.NoError(t, s.Settings().Set(ctx, "unit", []byte("F")))
	backup := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, s.Backup(ctx, backup), "while running, with samples still waiting")
	require.ErrorContains(t, s.Backup(ctx, s.Path()), "the history itself")
	info := must(os.Stat(backup))
	assert.Equal(t, fs.FileMode(0o600), info.Mode().Perm())
	assert.NoFileExists(t, backup+".part")
	sum := must(Check(ctx, backup))
	assert.Equal(t, Summary{Schema: len(migrations()), Bytes: info.Size(), Rises: 1, Open: 1, Samples: 100, First: t0, Last: t0}, sum)

	// Life goes on, then the backup comes back.
	begin(t, s, "jar", t0.Add(time.Hour))
	path := s.Path()
	_, err := Restore(ctx, backup, path, t0)
	require.ErrorIs(t, err, ErrInUse)
	_, err = Check(ctx, path)
	require.ErrorIs(t, err, ErrInUse)
	require.NoError(t, s.Close(ctx))
	_, err = Restore(ctx, path, path, t0)
	require.ErrorContains(t, err, "the history itself")
	former := must(Restore(ctx, backup, path, t0))
	assert.Equal(t, path+".before-restore-20260314T180000Z", former)

	s = must(Open(ctx, path, Options{}))
	assert.False(t, s.Opened().Unclean)
	equalRows(t, []bake.Recorded{row(99)}, collect(t, s, id)[99:])
	p := must(s.Rises(ctx, Filter{}))
	assert.Len(t, p.Rises, 1)
	v := must(s.Settings().Get(ctx, "unit"))
	assert.Equal(t, "F", string(v))
	require.NoError(t, s.Close(ctx))

	// What was set aside comes back the same way.
	_ = must(Restore(ctx, former, path, t0))
	sum = must(Check(ctx, path))
	assert.Equal(t, 2, sum.Rises)
}

func TestRestoreAfterASuddenStop(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(1)))
	backup := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, s.Backup(ctx, backup))
	begin(t, s, "jar", t0)
	crash(t, s)
	former := must(Restore(ctx, backup, s.Path(), t0))
	sum := must(Check(ctx, s.Path()))
	assert.Equal(t, 1, sum.Rises, "the old write-ahead log is not taken for the new one")
	sum = must(Check(ctx, former))
	assert.Equal(t, 2, sum.Rises, "and is not lost")
}

func TestScheduledBackups(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "[odd] name")
	path := filepath.Join(t.TempDir(), "tidemark.db")
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		s := must(Open(ctx, path, Options{}))
		begin(t, s, "tub", t0)
		done := make(chan struct{})
		go func() { defer close(done); s.RunUpkeep(ctx, dir, 24*time.Hour, 3) }()
		require.NoError(t, os.MkdirAll(dir, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "tidemark-mine.db"), nil, 0o600))
		time.Sleep(5*24*time.Hour + time.Minute)
		synctest.Wait()
		files := backups(dir)
		require.Len(t, files, 3, "the newest three stay")
		start := time.Now()
		newest, ok := backupTime(files[2])
		require.True(t, ok)
		assert.Less(t, start.Sub(newest), 24*time.Hour)
		assert.FileExists(t, filepath.Join(dir, "tidemark-mine.db"), "a file of another name is not ours to remove")
		for _, f := range files {
			sum := must(Check(ctx, f))
			assert.Equal(t, 1, sum.Rises)
		}
		cancel()
		<-done
		require.NoError(t, s.Close(context.WithoutCancel(ctx)))
	})
}
