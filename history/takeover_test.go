package history

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/estimator"
)

// anotherHouse is a backup of an invented other machine: three rises, of which one
// was under way, with an act, a photo, an open alarm and a letter each.
func anotherHouse(t *testing.T) string {
	t.Helper()
	s := openTest(t, Options{})
	ctx := t.Context()
	for i := range 3 {
		at := t0.AddDate(0, -2, i)
		id := begin(t, s, "bowl", at)
		for j := range 20 {
			r := row(j)
			r.Time = at.Add(time.Duration(j) * 10 * time.Second)
			require.NoError(t, s.AppendRow(id, r))
		}
		_, err := s.AddAct(ctx, Act{RiseID: id, At: at, Kind: "fold", By: "theirs"})
		require.NoError(t, err)
		_, err = s.AddPhoto(ctx, Photo{RiseID: id, At: at, Type: "image/jpeg", Bytes: []byte{byte(i)}})
		require.NoError(t, err)
		a := alert.Alarm{ID: "theirs", RiseID: id, Vessel: "bowl", State: alert.Firing, Since: at}
		require.NoError(t, s.SaveAlarm(ctx, a, []alert.Letter{{ID: "l", AlarmID: "theirs", State: alert.LetterWaiting, CreatedAt: at}}))
		if i < 2 {
			r, err := s.Rise(ctx, id)
			require.NoError(t, err)
			r.EndedAt = at.Add(time.Hour)
			require.NoError(t, s.EndRise(ctx, r))
		}
	}
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"access.passphrase": []byte("theirs"), "learned/bowl/1": []byte("lesson")}))
	file := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, s.Backup(ctx, file))
	return file
}

// TestTakeBackup takes a backup over in the midst of a rise: the rise, its number,
// its acts and what only waits in memory stay; the past is the backup's.
func TestTakeBackup(t *testing.T) {
	ctx := t.Context()
	backup := anotherHouse(t)
	s := openTest(t, Options{FlushEvery: time.Hour})
	gone := begin(t, s, "tub", t0.AddDate(0, 0, -1))
	r, err := s.Rise(ctx, gone)
	require.NoError(t, err)
	r.EndedAt = r.StartedAt.Add(time.Hour)
	require.NoError(t, s.EndRise(ctx, r))
	live := begin(t, s, "tub", t0)
	require.Equal(t, int64(2), live, "a number that the backup has given too")
	act, err := s.AddAct(ctx, Act{RiseID: live, At: t0, Kind: "fold", By: "ours"})
	require.NoError(t, err)
	for i := range 30 {
		require.NoError(t, s.AppendRow(live, row(i)))
	}
	require.NoError(t, s.SaveProcess(ctx, live, []byte("steps")))
	require.NoError(t, s.SaveAlarm(ctx, alert.Alarm{ID: "ours", RiseID: live, Vessel: "tub", State: alert.Firing, Since: t0}, nil))
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"access.passphrase": []byte("ours"), "learned/tub/1": []byte("old")}))

	seen, err := s.CheckAgainst(ctx, backup)
	require.NoError(t, err)
	assert.Equal(t, 3, seen.Backup.Rises)
	assert.Equal(t, 2, seen.Present.Rises)
	assert.Equal(t, 1, seen.Missing, "the one that ended; the other stays")
	assert.Equal(t, t0.AddDate(0, 0, -1), seen.Last)
	assert.Equal(t, 3, seen.Returned)
	assert.Equal(t, []string{"tub"}, seen.UnderWay)

	aside, err := s.TakeBackup(ctx, TakeOver{Backup: backup, Past: []string{"learned/"}})
	require.NoError(t, err)
	sum, err := Check(ctx, aside)
	require.NoError(t, err, "what was there is whole")
	assert.Equal(t, 2, sum.Rises)
	assert.EqualValues(t, 30, sum.Samples, "with what only waited in memory")

	got, err := s.Rise(ctx, live)
	require.NoError(t, err)
	assert.Equal(t, "tub", got.Vessel)
	assert.True(t, got.UnderWay())
	assert.Len(t, collect(t, s, live), 30)
	acts, err := s.Acts(ctx, live)
	require.NoError(t, err)
	require.Len(t, acts, 1)
	assert.Equal(t, act, acts[0].ID, "an act that is on a page keeps its number")
	body, err := s.Process(ctx, live)
	require.NoError(t, err)
	assert.Equal(t, "steps", string(body))
	open, err := s.OpenAlarms(ctx)
	require.NoError(t, err)
	require.Len(t, open, 1)
	assert.Equal(t, "ours", open[0].ID)
	due, err := s.DueLetters(ctx, t0.AddDate(1, 0, 0), 10)
	require.NoError(t, err)
	assert.Empty(t, due, "nobody waits for the backup's letters")

	page, err := s.Rises(ctx, Filter{Vessel: "bowl"})
	require.NoError(t, err)
	require.Len(t, page.Rises, 3)
	for _, r := range page.Rises {
		assert.False(t, r.UnderWay())
		assert.Len(t, collect(t, s, r.ID), 20)
		acts, err := s.Acts(ctx, r.ID)
		require.NoError(t, err)
		assert.Len(t, acts, 1)
		photos, err := s.Photos(ctx, r.ID)
		require.NoError(t, err)
		assert.Len(t, photos, 1)
	}
	assert.Equal(t, t0.AddDate(0, -2, 2).Add(190*time.Second), page.Rises[0].EndedAt, "the one under way then ended at its last sample")
	settings, err := s.Settings().List(ctx, "")
	require.NoError(t, err)
	assert.Equal(t, map[string][]byte{"access.passphrase": []byte("ours"), "learned/bowl/1": []byte("lesson")}, settings)

	// The watch goes on in the new file.
	require.NoError(t, s.AppendRow(live, row(31)))
	require.NoError(t, s.Flush(ctx))
	assert.Greater(t, begin(t, s, "jar", t0), int64(5))
	path := s.Path()
	closing(t, s)
	again, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	t.Cleanup(func() { closing(t, again) })
	assert.False(t, again.Opened().Unclean)
	assert.Len(t, collect(t, again, live), 31)
}

// TestTakeBackupOfTheSameRise: a backup made an hour ago holds the rise under way
// too; the longer one stays, under its number.
func TestTakeBackupOfTheSameRise(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, Options{})
	id := begin(t, s, "tub", t0)
	require.NoError(t, s.AppendRow(id, row(0)))
	file := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, s.Backup(ctx, file))
	require.NoError(t, s.AppendRow(id, row(1)))
	_, err := s.TakeBackup(ctx, TakeOver{Backup: file})
	require.NoError(t, err)
	page, err := s.Rises(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, page.Rises, 1)
	assert.Equal(t, id, page.Rises[0].ID)
	assert.True(t, page.Rises[0].UnderWay())
	assert.Len(t, collect(t, s, id), 2)
}

// TestTakeBackupRefuses: whatever is wrong with the file, the history stays.
func TestTakeBackupRefuses(t *testing.T) {
	ctx := t.Context()
	good := anotherHouse(t)
	spoil := func(sql ...string) string {
		file := filepath.Join(t.TempDir(), "spoilt.db")
		body, err := os.ReadFile(good)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(file, body, 0o600))
		db, err := openPool(ctx, fileURI(file), 1)
		require.NoError(t, err)
		for _, q := range sql {
			_, err = db.ExecContext(ctx, q)
			require.NoError(t, err)
		}
		require.NoError(t, db.Close())
		return file
	}
	cut := spoil()
	require.NoError(t, os.Truncate(cut, 5000))
	text := filepath.Join(t.TempDir(), "text.db")
	require.NoError(t, os.WriteFile(text, []byte("no database at all, but long enough to be looked at"), 0o600))
	s := openTest(t, Options{})
	id := begin(t, s, "tub", t0)
	for name, c := range map[string]struct{ file, want string }{
		"cut short":         {cut, "no sound history"},
		"text":              {text, "no sound history"},
		"absent":            {filepath.Join(t.TempDir(), "x.db"), "no such file"},
		"the history":       {s.Path(), "cannot be taken over"},
		"a newer one":       {spoil("PRAGMA user_version = 99"), "use a newer tidemark"},
		"another program's": {spoil("PRAGMA application_id = 7"), "another program"},
		"a trigger in it":   {spoil("CREATE TRIGGER x AFTER INSERT ON settings BEGIN DELETE FROM settings; END"), "trigger x in it is not as tidemark makes it"},
		"a view in it":      {spoil("DROP TABLE photos", "CREATE VIEW photos AS SELECT 1"), "not as tidemark makes it"},
		"a table less":      {spoil("DROP TABLE photos"), "lacks the"},
	} {
		aside, err := s.TakeBackup(ctx, TakeOver{Backup: c.file})
		require.ErrorContains(t, err, c.want, name)
		assert.Empty(t, aside, name)
		_, err = s.Rise(ctx, id)
		require.NoError(t, err, name)
	}
	left, err := filepath.Glob(s.Path() + ".*")
	require.NoError(t, err)
	assert.Equal(t, []string{s.Path() + ".lock"}, left, "nothing lies about")
}

// TestTakeBackupOnAFullDisk: what waits cannot be written, so nothing is changed.
func TestTakeBackupOnAFullDisk(t *testing.T) {
	ctx := t.Context()
	backup := anotherHouse(t)
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := begin(t, s, "tub", t0)
	free := fill(t, s)
	for i := range 2000 {
		require.NoError(t, s.AppendRow(id, row(i)))
	}
	_, err := s.TakeBackup(ctx, TakeOver{Backup: backup})
	require.ErrorContains(t, err, "does not reach the file")
	free()
	assert.Len(t, collect(t, s, id), 2000)
	require.NoError(t, s.Flush(ctx))
	_, err = s.TakeBackup(ctx, TakeOver{Backup: backup})
	require.NoError(t, err)
	assert.Len(t, collect(t, s, id), 2000)
}

// TestTakeBackupGoesBack: when the new file cannot be put in place, the old one is
// open again.
func TestTakeBackupGoesBack(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, Options{})
	id := begin(t, s, "tub", t0)
	part := s.Path() + ".restoring"
	require.NoError(t, os.WriteFile(part, []byte("this will not open as a database, whatever one tries"), 0o600))
	s.wmu.Lock()
	_, err := s.swap(ctx, part)
	s.wmu.Unlock()
	require.ErrorContains(t, err, "could not be taken over")
	_, err = s.Rise(ctx, id)
	require.NoError(t, err)
	require.NoError(t, s.AppendRow(id, Row{Time: t0, Event: estimator.Fold}))
	require.NoError(t, s.Flush(ctx))
	assert.False(t, s.Health().InMemory)
}

// TestTakeBackupBesideWriters: a sampler and a reader go on; nothing of theirs is
// lost.
func TestTakeBackupBesideWriters(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	backup := anotherHouse(t)
	s := openTest(t, Options{FlushEvery: time.Millisecond, KeepRows: 1 << 20})
	id := begin(t, s, "tub", t0)
	done := make(chan int)
	go func() {
		n := 0
		for ; ctx.Err() == nil && n < 20000; n++ {
			assert.NoError(t, s.AppendRow(id, row(n)))
			_, err := s.Rise(context.WithoutCancel(ctx), id)
			assert.NoError(t, err)
		}
		done <- n
	}()
	for range 3 {
		_, err := s.TakeBackup(t.Context(), TakeOver{Backup: backup})
		require.NoError(t, err)
	}
	stop()
	assert.Len(t, collect(t, s, id), <-done)
}
