package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// Summary says what a history file holds.
type Summary struct {
	Schema  int       // schema version
	Bytes   int64     // size of the file
	Rises   int       // all rises
	Open    int       // those under way
	Samples int64     // stored samples
	First   time.Time // start of the oldest rise; zero when there is none
	Last    time.Time // start of the newest rise
}

// Check looks at a history file that no service uses: is it ours, of a version
// that can be read, and sound? It changes nothing.
func Check(ctx context.Context, file string) (Summary, error) {
	info, err := os.Stat(file)
	if err != nil {
		return Summary{}, fmt.Errorf("check: %w", err)
	}
	if !info.Mode().IsRegular() {
		return Summary{}, fmt.Errorf("check: %s is not a file", file)
	}
	if inUse(file) {
		return Summary{}, fmt.Errorf("check %s: %w", file, ErrInUse)
	}
	sum := Summary{Bytes: info.Size()}
	err = readAnyhow(ctx, file, func(db *sql.DB) error { return sum.read(ctx, db) })
	if err != nil {
		return Summary{}, fmt.Errorf("check %s: it is no sound history: %w", file, err)
	}
	return sum, nil
}

// read fills the summary and checks the file.
func (sum *Summary) read(ctx context.Context, db *sql.DB) error {
	steps, err := migrations()
	if err != nil {
		return err
	}
	version, err := schemaVersion(ctx, db)
	switch {
	case err != nil:
		return err
	case version <= 0:
		return errors.New("it holds no history")
	case version > len(steps):
		return newerError{version, len(steps)}
	}
	sum.Schema = version
	if err := checkShape(ctx, db, steps[:version]); err != nil {
		return err
	}
	if err := integrity(ctx, db); err != nil {
		return err
	}
	if version == len(steps) { // an older one is looked at once it was brought up to date
		if err := checkContent(ctx, db); err != nil {
			return err
		}
	}
	return sum.count(ctx, db)
}

// count counts what is there.
func (sum *Summary) count(ctx context.Context, db *sql.DB) error {
	var first, last sql.NullInt64
	err := db.QueryRowContext(ctx, `SELECT count(*), count(*) - count(ended_ms), min(started_ms), max(started_ms),
 (SELECT count(*) FROM samples) FROM rises`).Scan(&sum.Rises, &sum.Open, &first, &last, &sum.Samples)
	sum.First, sum.Last = fromMS(first), fromMS(last)
	return err
}

// carriedFor is how long after its end a rise still belongs to the watch of today:
// its bake may go on.
const carriedFor = 48 * time.Hour

// Preview sets a backup beside the open history.
type Preview struct {
	Backup   Summary
	Present  Summary
	Missing  int       // rises that ended here, over two days ago, and that the backup does not have
	Last     time.Time // start of the newest of them
	Returned int       // rises that only the backup has
	UnderWay []string  // vessels whose rise under way stays
}

// Preview checks a backup and says what would change if it took the place of the
// open history. It changes nothing.
func (s *Store) Preview(ctx context.Context, backup string) (Preview, error) {
	var p Preview
	var err error
	if p.Backup, err = Check(ctx, backup); err != nil {
		return p, err
	}
	var theirs, ours []Rise
	few := func(scan scanner) (r Rise, err error) {
		var started, ended sql.NullInt64
		err = scan(&r.Vessel, &started, &ended)
		r.StartedAt, r.EndedAt = fromMS(started), fromMS(ended)
		return r, err
	}
	const query = "SELECT vessel, started_ms, ended_ms FROM rises"
	err = readAnyhow(ctx, backup, func(db *sql.DB) error {
		theirs, err = selectIn(ctx, db, few, query)
		return err
	})
	if err == nil {
		ours, err = selectAll(ctx, s, few, query)
	}
	if err == nil {
		err = s.query(func(db *sql.DB) error { return p.Present.count(ctx, db) })
	}
	if err != nil {
		return p, fmt.Errorf("compare %s with the history: %w", backup, err)
	}
	for _, part := range []string{"", "-wal"} { // what was not folded in yet counts too
		if info, err := os.Stat(s.path + part); err == nil {
			p.Present.Bytes += info.Size()
		}
	}
	p.compare(theirs, ours, s.opt.Now())
	return p, nil
}

// compare counts what only one side has.
func (p *Preview) compare(theirs, ours []Rise, now time.Time) {
	has := func(rises []Rise, r Rise) bool {
		return slices.ContainsFunc(rises, func(o Rise) bool { return o.Vessel == r.Vessel && o.StartedAt.Equal(r.StartedAt) })
	}
	for _, r := range ours {
		switch {
		case r.UnderWay():
			p.UnderWay = append(p.UnderWay, r.Vessel)
		case has(theirs, r) || now.Sub(r.EndedAt) < carriedFor:
		default:
			p.Missing++
			if r.StartedAt.After(p.Last) {
				p.Last = r.StartedAt
			}
		}
	}
	for _, r := range theirs {
		if !has(ours, r) {
			p.Returned++
		}
	}
}

// The names of a copy that is being made, and of one that waits for the next start.
const (
	restoringSuffix = ".restoring"
	stagedSuffix    = ".restore"
)

// stageCopy makes a compact copy of a backup that no service uses, with the newest
// schema, and checks it.
func stageCopy(ctx context.Context, backup, part string) error {
	err := readAnyhow(ctx, backup, func(db *sql.DB) error {
		if err := removeIfThere(part); err != nil {
			return err
		}
		_, err := db.ExecContext(ctx, "VACUUM INTO ?", part)
		return err
	})
	if err != nil {
		return err
	}
	db, err := openPool(ctx, dsn(part, map[string][]string{"mode": {"rw"}, "_synchronous": {"full"}}), 1)
	if err != nil {
		return err
	}
	if err = upgrade(ctx, db); err == nil {
		err = checkContent(ctx, db)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	return finishCopy(ctx, part, fileMode)
}

// stage checks a backup and lays it beside the history at path, to be taken at the
// next start. carry says what stays of the present one; nil: nothing.
func stage(ctx context.Context, backup, path string, carry []byte) error {
	if same(backup, path) {
		return fmt.Errorf("%s is the history itself", backup)
	}
	if _, err := Check(ctx, backup); err != nil {
		return err
	}
	part := path + restoringSuffix
	err := stageCopy(ctx, backup, part)
	if err == nil {
		err = keepOwner(path, part)
	}
	if err == nil {
		err = markCarry(ctx, part, carry)
	}
	if err == nil {
		err = errors.Join(os.Rename(part, path+stagedSuffix), syncDir(path))
	}
	if err != nil {
		_ = os.Remove(part)
	}
	return err
}

// carryKey is the line of the table meta that says what of the present history a
// staged one takes over: prefixes of settings that it does not, as JSON.
const carryKey = "carry"

// markCarry writes or removes that line.
func markCarry(ctx context.Context, file string, carry []byte) error {
	db, err := openPool(ctx, dsn(file, map[string][]string{"mode": {"rw"}, "_synchronous": {"full"}}), 1)
	if err != nil {
		return err
	}
	if carry == nil {
		_, err = db.ExecContext(ctx, "DELETE FROM meta WHERE key = ?", carryKey)
	} else {
		_, err = db.ExecContext(ctx, setMetaSQL, carryKey, string(carry))
	}
	return errors.Join(err, db.Close())
}

// StageRestore checks a backup and lays it beside the history. At the next Open it
// takes the place of the history, which is kept beside. Settings, open alarms, the
// rises under way and those of the last two days stay, with all that belongs to
// them; the rest of the past comes from the backup, and so do the settings that
// start with one of the prefixes past. On an error nothing has changed.
func (s *Store) StageRestore(ctx context.Context, backup string, past ...string) error {
	carry, err := json.Marshal(append([]string{}, past...))
	if err != nil {
		return err
	}
	if err := stage(ctx, backup, s.path, carry); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return nil
}

// Restore puts a backup in the place of a history that no service uses, after a
// check. What was there is kept under the name it returns; empty when there was
// nothing. At no moment is there no history under its name.
func Restore(ctx context.Context, backup, path string, now time.Time) (aside string, err error) {
	lock, err := takeLock(path)
	if err != nil {
		return "", fmt.Errorf("restore: %w", err)
	}
	if lock != nil {
		defer lock.Close()
	}
	if err = stage(ctx, backup, path, nil); err == nil {
		aside, err = swap(ctx, path, now)
	}
	if err != nil {
		return aside, fmt.Errorf("restore %s: %w", backup, err)
	}
	return aside, nil
}

// New puts an empty history in the place of one that no service uses. What was
// there is kept under the name it returns; empty when there was nothing.
func New(ctx context.Context, path string, now time.Time) (aside string, err error) {
	lock, err := takeLock(path)
	if err != nil {
		return "", fmt.Errorf("new history: %w", err)
	}
	if lock != nil {
		defer lock.Close()
	}
	fresh := path + restoringSuffix
	if err := errors.Join(removeIfThere(fresh), removeIfThere(path+stagedSuffix)); err != nil {
		return "", fmt.Errorf("new history: %w", err)
	}
	f, err := openFiles(ctx, fresh)
	if err = errors.Join(err, f.close()); err == nil {
		err = keepOwner(path, fresh)
	}
	if err == nil {
		err = errors.Join(finishCopy(ctx, fresh, fileMode), os.Rename(fresh, path+stagedSuffix))
	}
	if err == nil {
		aside, err = swap(ctx, path, now)
	}
	if err != nil {
		return aside, fmt.Errorf("new history: %w", err)
	}
	return aside, nil
}

// swapStaged takes a staged history, if one waits. One that cannot be taken is put
// aside: the present one goes on.
func (s *Store) swapStaged(ctx context.Context) {
	staged := s.path + stagedSuffix
	if _, err := os.Lstat(staged); err != nil {
		return
	}
	aside, err := swap(ctx, s.path, s.opt.Now())
	if err != nil {
		failed := asideName(s.path, "not-restored", s.opt.Now())
		s.note("The backup could not be restored (%v); the history stays as it was. The backup is kept as %s.", err, failed)
		if err := os.Rename(staged, failed); err != nil {
			s.note("The backup could not be put aside: %v.", err)
		}
		return
	}
	s.note("A backup was restored. The history from before is kept as %s.", aside)
}

// swap puts the staged history in the place of the present one and returns the name
// under which that is kept. It can be cut short at any moment and begun again.
func swap(ctx context.Context, path string, now time.Time) (aside string, err error) {
	staged := path + stagedSuffix
	if err := checkRegular(staged); err != nil {
		return "", err
	}
	if err := carryOver(ctx, path, staged, now); err != nil {
		return "", fmt.Errorf("take over what stays: %w", err)
	}
	aside, err = setAsideForRestore(ctx, path, now)
	if err == nil {
		err = errors.Join(os.Rename(staged, path), syncDir(path))
	}
	return aside, err
}

// keepOwner gives the new file the owner of the old one, or of the folder: the
// command line runs as root, the service does not.
func keepOwner(path, part string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		info, err = os.Stat(filepath.Dir(path))
	}
	if err != nil {
		return err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok && os.Geteuid() == 0 {
		return os.Chown(part, int(st.Uid), int(st.Gid))
	}
	return nil
}

// setAsideForRestore gives the old file a second name. Its write-ahead log is
// folded in first: left behind, it would be taken for that of the new file.
func setAsideForRestore(ctx context.Context, path string, now time.Time) (string, error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	if checkRegular(path) == nil && info.Size() > 0 {
		if db, err := openPool(ctx, fileURI(path)+"?mode=rw&_synchronous=full", 1); err == nil {
			// A broken file is kept as it is.
			_, _ = db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
			_ = db.Close()
		}
	}
	aside := asideName(path, "before-restore", now)
	if err = os.Link(path, aside); err != nil { // a file system without second names
		err = os.Rename(path, aside)
	}
	if err != nil {
		return "", fmt.Errorf("keep the old history: %w", err)
	}
	for _, suffix := range []string{"-wal", "-shm", "-journal"} {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("keep the old history: %w", err)
		}
	}
	return aside, nil
}

// carryOver brings into a staged file what it takes over of the present one.
func carryOver(ctx context.Context, present, staged string, now time.Time) error {
	to, err := openPool(ctx, dsn(staged, map[string][]string{"mode": {"rw"}, "_synchronous": {"full"}}), 1)
	if err != nil {
		return err
	}
	var past []string
	carry, err := selectIn(ctx, to, scanText, "SELECT value FROM meta WHERE key = ?", carryKey)
	if err == nil && len(carry) > 0 {
		err = json.Unmarshal([]byte(carry[0]), &past)
	}
	if err == nil && len(carry) > 0 {
		err = readAnyhow(ctx, present, func(from *sql.DB) error {
			if err := current(ctx, from); err != nil {
				return err
			}
			c := carrying{from: from, to: to, past: past, since: now.Add(-carriedFor).UnixMilli()}
			return c.run(ctx)
		})
	}
	return errors.Join(err, to.Close())
}

// carrying takes over from one file to another what belongs to the watch of today.
type carrying struct {
	from, to *sql.DB
	past     []string // prefixes of settings that belong to the past
	since    int64    // rises that ended later are of today, ms
}

// run does it. What was under way when the backup was made ends first: its rises at
// their last sample, its warnings, and its messages, which nobody wants any more.
func (c carrying) run(ctx context.Context) error {
	for _, query := range []string{
		`UPDATE rises SET ended_ms = max(started_ms, coalesce((SELECT max(t_ms) FROM samples WHERE rise_id = rises.id), started_ms)),
 phase = 'ended' WHERE ended_ms IS NULL`,
		`UPDATE alarms SET state = 'resolved', body = json_set(body, '$.State', 'resolved', '$.ResolvedAt', json_extract(body, '$.Since')) WHERE state <> 'resolved'`,
		`UPDATE notifications SET state = 'withdrawn', head = json_set(head, '$.State', 'withdrawn') WHERE state = 'waiting'`,
	} {
		if _, err := c.to.ExecContext(ctx, query); err != nil {
			return err
		}
	}
	if err := c.settings(ctx); err != nil {
		return err
	}
	return c.rises(ctx)
}

// settings replaces all settings by the present ones but those of the past.
func (c carrying) settings(ctx context.Context) error {
	ofPast := func(v setting) bool {
		return slices.ContainsFunc(c.past, func(p string) bool { return strings.HasPrefix(v.key, p) })
	}
	theirs, err := selectIn(ctx, c.to, scanSetting, "SELECT key, NULL FROM settings")
	if err != nil {
		return err
	}
	ours, err := selectIn(ctx, c.from, scanSetting, "SELECT key, value FROM settings")
	if err != nil {
		return err
	}
	tx, err := c.to.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, v := range slices.DeleteFunc(append(theirs, ours...), ofPast) {
		if err := v.record().write(ctx, tx); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// rises takes over the rises of today with all that belongs to them, under their
// numbers, and the open alarms. A rise of the backup that has the number of one of
// them gets another.
func (c carrying) rises(ctx context.Context) error {
	today := fmt.Sprintf("SELECT id FROM rises WHERE ended_ms IS NULL OR ended_ms > %d", c.since)
	rises, err := selectIn(ctx, c.from, scanRise, "SELECT "+riseColumns+" FROM rises WHERE id IN ("+today+")")
	if err != nil {
		return err
	}
	for _, r := range rises {
		const copies = "SELECT id FROM rises WHERE vessel = ? AND started_ms = ?"
		if err := dropOfRises(ctx, c.to, copies, r.Vessel, r.StartedAt.UnixMilli()); err != nil {
			return err
		}
		queries := []string{"DELETE FROM rises WHERE id IN (" + copies + ")"}
		args := [][]any{{r.Vessel, r.StartedAt.UnixMilli()}}
		for _, t := range append(ofRises(), "rises") {
			column := "rise_id"
			if t == "rises" {
				column = "id"
			}
			queries = append(queries, "UPDATE "+t+" SET "+column+" = (SELECT coalesce(max(seq), 0) + 1000 FROM sqlite_sequence WHERE name = 'rises') + ?1 WHERE "+column+" = ?1")
			args = append(args, []any{r.ID})
		}
		for i, q := range queries {
			if _, err := c.to.ExecContext(ctx, q, args[i]...); err != nil {
				return err
			}
		}
	}
	for _, what := range []struct{ table, where string }{
		{"rises", "id IN (" + today + ")"},
		{"samples", "rise_id IN (" + today + ")"}, {"forecasts", "rise_id IN (" + today + ")"}, {"processes", "rise_id IN (" + today + ")"},
		{"events", "rise_id IN (" + today + ")"}, {"photos", "rise_id IN (" + today + ")"},
		{"alarms", "state <> 'resolved' OR rise_id IN (" + today + ")"},
		{"notifications", "alarm_id IN (SELECT id FROM alarms WHERE state <> 'resolved' OR rise_id IN (" + today + "))"},
	} {
		if _, err := copyTable(ctx, c.from, c.to, what.table, "WHERE "+what.where, what.table == "events" || what.table == "photos"); err != nil {
			return fmt.Errorf("%s: %w", what.table, err)
		}
	}
	return nil
}
