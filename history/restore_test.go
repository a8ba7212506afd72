package history

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
)

// spoil changes a file of ours in a way that no program of ours does.
func spoil(t *testing.T, path string, statements ...string) {
	t.Helper()
	db := must(sql.Open("sqlite", "file:"+path+"?mode=rw")) // not defensive
	for _, q := range statements {
		_, err := db.ExecContext(t.Context(), q)
		require.NoError(t, err, q)
	}
	require.NoError(t, db.Close())
}

// schemaRow writes a line into the schema itself, as a file from elsewhere may
// have it: names that SQLite reserves are possible there.
func schemaRow(kind, name, table, how string) []string {
	return []string{"PRAGMA writable_schema = on",
		fmt.Sprintf("INSERT INTO sqlite_schema (type, name, tbl_name, rootpage, sql) VALUES ('%s', '%s', '%s', 0, '%s')", kind, name, table, strings.ReplaceAll(how, "'", "''")),
		"PRAGMA writable_schema = off"}
}

// evilTrigger gives everyone an access token at the next sample.
func evilTrigger(name string) string {
	return "CREATE TRIGGER " + name + " AFTER INSERT ON samples BEGIN INSERT OR REPLACE INTO settings VALUES ('token/evil', x'00'); END"
}

// hostile is one file of the kit: a sound backup and what was done to it.
type hostile struct {
	name    string
	change  []string
	bytes   func(b []byte) []byte
	instead func(t *testing.T, path string) // in the place of the file
	want    string
	content bool // only the lines are wrong: opened in place they are read with care
	sound   bool // it is not ours, but SQLite can read it
}

// hostileKit are databases that somebody may hand to restore, or lay in the place of
// the history.
func hostileKit() []hostile {
	big := "9223372036854775807"
	return []hostile{
		{name: "trigger", change: []string{evilTrigger("evil")}, want: `"trigger evil" in it is not as tidemark makes it`},
		{name: "trigger with a reserved name", change: schemaRow("trigger", "sqlite_evil", "samples", evilTrigger("sqlite_evil")), want: "sqlite_evil"},
		{name: "trigger that calls itself an index", change: schemaRow("index", "sqlite_autoindex_evil", "samples", "CREATE INDEX sqlite_autoindex_evil ON samples (abs(t_ms))"), want: "it is no sound history"},
		{name: "view in a table's place", change: []string{"ALTER TABLE settings RENAME TO real", "CREATE VIEW settings AS SELECT * FROM real"}, want: "not as tidemark makes it"},
		{name: "one view more", change: []string{"CREATE VIEW endless AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT * FROM n"}, want: `"view endless"`},
		{name: "one column more", change: []string{"ALTER TABLE rises ADD COLUMN more TEXT"}, want: `"table rises"`},
		{name: "a computed column", change: []string{"ALTER TABLE rises ADD COLUMN more TEXT AS (upper(note))"}, want: `"table rises"`},
		{name: "a table lost", change: []string{"DROP TABLE alarms"}, want: "it lacks the"},
		{name: "an index on an expression", change: []string{"CREATE INDEX odd ON rises (upper(note))"}, want: `"index odd"`},
		{name: "a table of a module", change: []string{"CREATE VIRTUAL TABLE words USING fts5(x)"}, want: "not as tidemark makes it"},
		{name: "a start at the end of time", change: []string{"UPDATE rises SET started_ms = " + big}, want: "1970 to 2200", content: true},
		{name: "an end before all times", change: []string{"UPDATE rises SET ended_ms = -" + big}, want: "1970 to 2200", content: true},
		{name: "samples far away", change: []string{"UPDATE samples SET t_ms = " + big + " - t_ms"}, want: "1970 to 2200", content: true},
		{name: "an event at no time", change: []string{"UPDATE events SET at_ms = " + big}, want: "1970 to 2200", content: true},
		{name: "CR LF in a name", change: []string{"UPDATE rises SET vessel = 'tub' || char(13, 10) || 'Set-Cookie: x'"}, want: "cannot be seen", content: true},
		{name: "a name that turns round", change: []string{"UPDATE rises SET vessel = 'tub' || char(0x202e) || 'evil'"}, want: "cannot be seen", content: true},
		{name: "a zero byte in a name", change: []string{"UPDATE rises SET vessel = 'tub' || char(0) || 'x'"}, want: "cannot be seen", content: true},
		{name: "a name of a megabyte", change: []string{"UPDATE rises SET vessel = hex(zeroblob(500000))"}, want: "too long", content: true},
		{name: "a page as a picture", change: []string{"UPDATE photos SET type = 'text/html'"}, want: "a picture is none", content: true},
		{name: "an alarm that is no JSON", change: []string{"UPDATE alarms SET body = 'no'"}, want: "cannot be read", content: true},
		{name: "a body that is no JSON", change: []string{"UPDATE events SET body = '{'"}, want: "cannot be read", content: true},
		{name: "endless numbers", change: []string{"UPDATE rises SET peak_percent = 9e999, target_percent = -9e999"}, content: true},
		{name: "a negative number", change: []string{"UPDATE rises SET id = -5"}, want: "has no number", content: true},
		{name: "zero bytes", bytes: func([]byte) []byte { return nil }, want: "it is no sound history"},
		{name: "only zeros", bytes: func(b []byte) []byte { return make([]byte, len(b)) }, want: "it is no sound history"},
		{name: "cut off", bytes: func(b []byte) []byte { return b[:len(b)/2+100] }, want: "it is no sound history"},
		{name: "a hole", bytes: func(b []byte) []byte { clear(b[len(b)/2 : len(b)/2+3000]); return b }, want: "it is no sound history"},
		{name: "another program's", bytes: func(b []byte) []byte { copy(b[68:72], "GPKG"); return b }, want: "database of another program", sound: true},
		{name: "a later version's", bytes: func(b []byte) []byte { b[63] = 99; return b }, want: "use a newer tidemark", sound: true},
		{name: "a text", bytes: func([]byte) []byte { return []byte("time,distance_mm\n") }, want: "it is no sound history"},
		{name: "a pipe", instead: func(t *testing.T, path string) { require.NoError(t, syscall.Mkfifo(path, 0o600)) }, want: "is not a file"},
		{name: "a folder", instead: func(t *testing.T, path string) { require.NoError(t, os.Mkdir(path, 0o700)) }, want: "is not a file"},
	}
}

// make lays the hostile file at path.
func (h hostile) make(t *testing.T, good, path string) {
	t.Helper()
	if h.instead != nil {
		h.instead(t, path)
		return
	}
	copyFile(t, good, path)
	if h.change != nil {
		spoil(t, path, h.change...)
	}
	if h.bytes != nil {
		b := must(os.ReadFile(path))
		require.NoError(t, os.WriteFile(path, h.bytes(b), 0o600))
	}
}

// oneOfAll is a sound file with a line in every table.
func oneOfAll(t *testing.T) string {
	t.Helper()
	ctx := t.Context()
	s := openTest(t, Options{FlushEvery: time.Hour})
	id := must(s.BeginRise(ctx, bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: t0}, &bake.Event{At: t0, Kind: "start", By: "page"}))
	for i := range 2500 { // more than one read takes
		require.NoError(t, s.AppendRow(id, row(i)))
	}
	_ = must(s.AddEvent(ctx, bake.Event{RiseID: id, Vessel: "tub", At: t0.Add(time.Minute), Kind: "fold", By: "page", Detail: bake.Detail{Note: "one"}}))
	require.NoError(t, s.AppendForecast(Forecast{RiseID: id, At: t0, Ready: estimator.Window{Median: t0.Add(time.Hour)}}))
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm("a", id, alert.Firing, t0)}, []alert.Notification{notification("a/phone/0", "a", t0)}))
	_ = must(s.AddPhoto(ctx, Photo{RiseID: id, At: t0, Type: "image/png", Bytes: []byte("invented")}))
	require.NoError(t, s.Settings().Set(ctx, "unit", []byte("F")))
	require.NoError(t, s.Close(ctx))
	return s.Path()
}

// TestHostileDatabasesAreNotRestored: whatever is handed in, nothing changes.
func TestHostileDatabasesAreNotRestored(t *testing.T) {
	t.Parallel()
	good := oneOfAll(t)
	before := must(os.ReadFile(good))
	for _, h := range hostileKit() {
		t.Run(h.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "tidemark.db")
			copyFile(t, good, path)
			file := filepath.Join(t.TempDir(), "hostile.db")
			h.make(t, good, file)
			former, err := Restore(t.Context(), file, filepath.Join(t.TempDir(), "fresh.db"), t0)
			if h.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, h.want)
			assert.Empty(t, former)
			_, err = Restore(t.Context(), file, path, t0)
			require.ErrorContains(t, err, h.want)
			now := must(os.ReadFile(path))
			require.Equal(t, before, now)
			left := must(filepath.Glob(path + ".*"))
			assert.Subset(t, []string{path + ".lock"}, left)
		})
	}
}

// TestHostileDatabasesDoNotStopTheWatch lays each in the place of the history: the
// watch begins, no code of theirs runs, and every list can be read and shown.
func TestHostileDatabasesDoNotStopTheWatch(t *testing.T) {
	t.Parallel()
	good := oneOfAll(t)
	for _, h := range hostileKit() {
		t.Run(h.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "tidemark.db")
			h.make(t, good, path)
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			s := must(Open(ctx, path, Options{FlushEvery: time.Hour, Now: func() time.Time { return t0 }}))
			defer closing(t, s)
			assert.False(t, s.Opened().InMemory)
			aside := s.Opened().Quarantine
			assert.Equal(t, !h.content, s.Opened().Unclean)
			if h.content {
				assert.Empty(t, aside)
			} else {
				_ = must(os.Stat(aside))
				assert.Regexp(t, `\.(damaged|foreign|newer)-20260314T180000Z$`, aside)
				assert.Contains(t, strings.Join(s.Opened().Notes, "\n"), "was put aside as "+aside)
			}
			if h.bytes != nil && h.sound { // it is read in full
				v := must(s.Settings().Get(ctx, "unit"))
				assert.Equal(t, "F", string(v))
			}
			assert.Empty(t, s.Health().Problem)
			page := must(s.Rises(ctx, Filter{}))
			for _, r := range page.Rises {
				for _, at := range []time.Time{r.StartedAt, r.EndedAt} {
					_ = must(at.MarshalJSON())
				}
				assert.False(t, r.PeakPercent > tooLarge)
				rows := must(s.Rows(ctx, r.ID, time.Time{}, time.Time{}))
				for _, row := range rows {
					_ = must(row.Time.MarshalJSON())
				}
				_ = must(s.Events(ctx, r.ID))
				_ = must(s.ThinRows(ctx, r.ID, time.Time{}, time.Time{}, 100))
			}
			_ = must(s.OpenAlarms(ctx))
			id := begin(t, s, "jar", t0)
			require.NoError(t, s.AppendRow(id, row(1)))
			require.NoError(t, s.Flush(ctx))
			tokens := must(s.Settings().List(ctx, "token/"))
			assert.Empty(t, tokens, "nothing in the file may run")
		})
	}
}

// TestALostFileIsDamage: a file without a byte, or none where backups are, is told
// and the newest backup taken; a first start is silent, and who wants a fresh
// history says so.
func TestALostFileIsDamage(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path, dir := oneOfAll(t), t.TempDir()
	for name, lose := range map[string]func() error{
		"empty": func() error { return os.Truncate(path, 0) },
		"gone":  func() error { return os.Remove(path) },
		"pipe": func() error {
			if err := os.Remove(path); err != nil {
				return err
			}
			return syscall.Mkfifo(path, 0o600)
		},
	} {
		s := must(Open(ctx, path, Options{Backups: dir}))
		_ = must(s.backupInto(ctx, dir, 2))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "tidemark-20990101T000000Z.db"), []byte("a spoiled backup"), 0o600))
		require.NoError(t, s.Close(ctx))
		require.NoError(t, lose())
		var err error
		s, err = Open(ctx, path, Options{Backups: dir})
		require.NoError(t, err, name)
		o := s.Opened()
		assert.False(t, o.New, name)
		assert.True(t, o.Unclean || o.Quarantine == "", name)
		notes := strings.Join(o.Notes, "\n")
		assert.Contains(t, notes, "tidemark-20990101T000000Z.db cannot be used")
		assert.Contains(t, notes, "the newest backup "+dir)
		open := must(s.OpenRises(ctx))
		assert.Len(t, open, 1, name)
		require.NoError(t, s.Close(ctx))
	}

	aside := must(New(ctx, path, t0))
	sum := must(Check(ctx, aside))
	assert.Equal(t, 1, sum.Rises, "what was there is kept")
	s := must(Open(ctx, path, Options{Backups: dir}))
	assert.Empty(t, s.Opened().Notes, "wanted, so nothing is told")
	page := must(s.Rises(ctx, Filter{}))
	assert.Empty(t, page.Rises)
	_, err := New(ctx, path, t0)
	require.ErrorIs(t, err, ErrInUse)
	require.NoError(t, s.Close(ctx))
	s = must(Open(ctx, filepath.Join(t.TempDir(), "first.db"), Options{Backups: filepath.Join(dir, "none yet")}))
	assert.True(t, s.Opened().New)
	assert.Empty(t, s.Opened().Notes)
	require.NoError(t, s.Close(ctx))
}

// TestRestoreBesideTheWatch exchanges the past while the watch goes on: settings, open alarms, the rise
// under way and that of yesterday stay with all that belongs to them; the rest comes
// from the backup.
func TestRestoreBesideTheWatch(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	opt := Options{FlushEvery: time.Hour, Now: func() time.Time { return t0 }}
	at := func(hours int) time.Time { return t0.Add(time.Duration(hours) * time.Hour) }
	s := openTest(t, opt)
	ended := func(vessel string, from, until int) int64 {
		id := begin(t, s, vessel, at(from))
		require.NoError(t, s.UpdateRise(ctx, bake.Rise{ID: id, Vessel: vessel, Holds: estimator.Dough, StartedAt: at(from), EndedAt: at(until)}))
		return id
	}
	old := ended("tub", -300, -294)
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"passphrase": []byte("theirs"), "token/theirs": []byte("x"), "learned/tub": []byte("then")}))
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm("stale", old, alert.Firing, at(-290))}, []alert.Notification{notification("stale/phone/0", "stale", at(-290))}))
	left := begin(t, s, "jar", at(-200)) // under way when the backup is made
	require.NoError(t, s.AppendRow(left, bake.Recorded{Time: at(-199), RisePercent: 3}))
	_ = must(s.AddEvent(ctx, bake.Event{RiseID: left, Vessel: "jar", At: at(-199), Kind: "note"}))
	backup := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, s.Backup(ctx, backup))
	require.NoError(t, s.Close(ctx))

	s = openTest(t, opt) // another machine, with the same numbers
	path := s.Path()
	ended("tub", -100, -90)
	start := bake.Event{At: at(-2), Kind: "start"}
	id := must(s.BeginRise(ctx, bake.Rise{Vessel: "tub", Holds: estimator.Dough, StartedAt: start.At}, &start))
	require.Equal(t, left, id, "the numbers meet")
	ended("bowl", -30, -20)
	require.NoError(t, s.AppendRow(id, bake.Recorded{Time: at(-1), RisePercent: 50}))
	require.NoError(t, s.SaveAlarms(ctx, []alert.Alarm{alarm("near", id, alert.Firing, t0)}, []alert.Notification{notification("near/phone/0", "near", t0)}))
	require.NoError(t, s.Settings().SetAll(ctx, map[string][]byte{"passphrase": []byte("ours"), "learned/tub": []byte("now")}))
	_ = must(s.AddEvent(ctx, bake.Event{Vessel: "tub", At: at(-1), Kind: bake.EventPlan}))

	p := must(s.Preview(ctx, backup))
	assert.Equal(t, []any{2, 3, 1, at(-100), 2, []string{"tub"}}, []any{p.Backup.Rises, p.Present.Rises, p.Missing, p.Last, p.Returned, p.UnderWay})
	former := must(s.Restore(ctx, backup, "learned/"))
	assert.Equal(t, path+".before-restore-20260314T180000Z", former)
	sum := must(Check(ctx, former))
	assert.Equal(t, 3, sum.Rises)
	assert.Equal(t, []string{"A backup was restored. The history from before is kept as " + former + "."}, s.Health().Notes)
	require.NoError(t, s.AppendRow(id, bake.Recorded{Time: t0, RisePercent: 60}))
	require.NoError(t, s.Close(ctx))

	s = must(Open(ctx, path, opt))
	defer closing(t, s)
	assert.Empty(t, s.Opened().Notes)
	all := must(s.Settings().List(ctx, ""))
	assert.Equal(t, map[string][]byte{"passphrase": []byte("ours"), "learned/tub": []byte("then")}, all)
	page := must(s.Rises(ctx, Filter{}))
	require.Len(t, page.Rises, 4)
	var got []string
	for _, r := range page.Rises {
		events := must(s.Events(ctx, r.ID))
		got = append(got, fmt.Sprint(r.Vessel, " ", r.UnderWay(), " ", len(events), " ", len(collect(t, s, r.ID))))
	}
	assert.Equal(t, []string{"tub true 1 2", "bowl false 0 0", "jar false 1 1", "tub false 0 0"}, got, "under way, events, samples")
	assert.Equal(t, id, page.Rises[0].ID)
	assert.Equal(t, at(-199), page.Rises[2].EndedAt, "ended at its last sample")
	events := must(s.VesselEvents(ctx, "tub", at(-2), time.Time{}))
	assert.Len(t, events, 2, "the start, and a plan for which nothing rises yet")
	assert.Equal(t, start.ID, events[0].ID)
	alarms := must(s.OpenAlarms(ctx))
	due := must(s.WaitingNotifications(ctx))
	assert.Equal(t, []string{"near", "near/phone/0"}, append(ids(alarms), ids(due)...), "of the backup nothing is sent")
	assert.Greater(t, begin(t, s, "x", t0), page.Rises[2].ID)
}

// TestARestoreCutShortChangesNothing: what is left of an attempt is no obstacle.
func TestARestoreCutShortChangesNothing(t *testing.T) {
	t.Parallel()
	backup := oneOfAll(t)
	s := openTest(t, Options{FlushEvery: time.Hour})
	begin(t, s, "jar", t0)
	cut, stop := context.WithCancel(t.Context())
	stop()
	_, err := s.Restore(cut, backup)
	require.ErrorIs(t, err, context.Canceled)
	require.NoError(t, os.WriteFile(fresh(s.path), []byte("half"), 0o600))
	_ = must(s.Restore(t.Context(), backup))
	page := must(s.Rises(t.Context(), Filter{}))
	assert.Len(t, page.Rises, 2)
	left := must(filepath.Glob(s.path + ".restoring*"))
	assert.Empty(t, left)
}

// former is a copy of a history of an earlier schema: an ended and an open rise,
// invented.
func former(t *testing.T, schema string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	copyFile(t, filepath.Join("testdata", schema+".db"), path)
	return path
}

// TestFormerHistoriesAreTakenOver: nothing of one is lost, and it is taken over once.
func TestFormerHistoriesAreTakenOver(t *testing.T) {
	files := must(filepath.Glob(filepath.Join("testdata", "schema*.db")))
	require.Len(t, files, len(migrations())-1, "one of each former schema")
	for _, f := range files {
		schema := strings.TrimSuffix(filepath.Base(f), ".db")
		t.Run(schema, func(t *testing.T) { takenOver(t, former(t, schema)) })
	}
}

func takenOver(t *testing.T, path string) {
	ctx := t.Context()
	_, err := Open(ctx, path, Options{ReadOnly: true})
	require.ErrorContains(t, err, "start the service once")
	restored := filepath.Join(t.TempDir(), "restored.db")
	_, err = Restore(ctx, path, restored, t0)
	require.NoError(t, err, "a backup of it as well")
	for _, file := range []string{path, path, restored} {
		s := must(Open(ctx, file, Options{FlushEvery: time.Hour}))
		assert.Empty(t, s.Opened().Notes)
		page := must(s.Rises(ctx, Filter{}))
		require.Len(t, page.Rises, 2)
		jar, tub := page.Rises[0], page.Rises[1]
		assert.Equal(t, bake.Judgement{Outcome: "right", OvenSpring: "good", Note: "a fine loaf"}, tub.Judgement)
		assert.Equal(t, []any{true, 99.75, 24.5}, []any{jar.UnderWay(), tub.PeakPercent, tub.MeanDoughC})
		events := must(s.Events(ctx, tub.ID))
		require.Len(t, events, 2)
		at := tub.StartedAt.Add(30 * time.Minute)
		assert.Equal(t, bake.Event{ID: 1, RiseID: tub.ID, Vessel: "tub", At: at, Told: at, By: "page", Kind: "fold"}, events[0])
		assert.True(t, events[1].Undone())
		none := must(s.VesselEvents(ctx, "", time.Time{}, time.Time{}))
		f := must(s.Forecasts(ctx, tub.ID))
		require.Len(t, f, 1)
		assert.Equal(t, tub.StartedAt.Add(5*time.Hour), f[0].Ready.Median)
		alarms := must(s.OpenAlarms(ctx))
		due := must(s.WaitingNotifications(ctx))
		photos := must(s.Photos(ctx, tub.ID))
		all := must(s.Settings().List(ctx, ""))
		assert.Equal(t, []int{400, 200, 1, 1, 1, 1, 2}, []int{len(collect(t, s, tub.ID)), len(collect(t, s, jar.ID)), len(none), len(alarms), len(due), len(photos), len(all)})
		require.NoError(t, s.Close(ctx))
		sum := must(Check(ctx, file))
		assert.Equal(t, len(migrations()), sum.Schema)
	}
}

// TestAHostileFileOfSchema1IsFoundOut: its lines are looked at as well, once it has
// the newest schema.
func TestAHostileFileOfSchema1IsFoundOut(t *testing.T) {
	path := former(t, "schema1")
	spoil(t, path, "UPDATE acts SET data = 'no'")
	_, err := Restore(t.Context(), path, filepath.Join(t.TempDir(), "x.db"), t0)
	require.ErrorContains(t, err, "cannot be read")
	spoil(t, path, evilTrigger("evil"))
	_, err = Restore(t.Context(), path, filepath.Join(t.TempDir(), "x.db"), t0)
	require.ErrorContains(t, err, "trigger evil")
}
