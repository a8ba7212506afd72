package history

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"time"
)

// Against sets a backup beside the open history.
type Against struct {
	Backup   Summary
	Present  Summary
	Missing  int       // rises that ended here and that the backup does not have
	Last     time.Time // start of the newest of them
	Returned int       // rises that only the backup has
	UnderWay []string  // vessels whose rise under way stays
}

// riseName tells rises apart across files.
type riseName struct {
	vessel  string
	startMS int64
}

// CheckAgainst checks a backup and says what would change if it took the place of
// the open history. It changes nothing.
func (s *Store) CheckAgainst(ctx context.Context, backup string) (Against, error) {
	var a Against
	var err error
	if a.Backup, err = Check(ctx, backup); err != nil {
		return a, err
	}
	var theirs, ours map[riseName]bool
	err = readAnyhow(ctx, backup, func(db *sql.DB) error {
		theirs, err = riseNames(ctx, db)
		return err
	})
	if err != nil {
		return a, fmt.Errorf("check %s: %w", backup, err)
	}
	err = s.query(func(db *sql.DB) error {
		if err := a.Present.count(ctx, db); err != nil {
			return err
		}
		ours, err = riseNames(ctx, db)
		return err
	})
	if err != nil {
		return a, err
	}
	for _, part := range []string{"", "-wal"} { // what was not folded in yet counts too
		if info, err := os.Stat(s.path + part); err == nil {
			a.Present.Bytes += info.Size()
		}
	}
	a.compare(theirs, ours)
	open, err := s.OpenRises(ctx)
	for _, r := range open {
		a.UnderWay = append(a.UnderWay, r.Vessel)
	}
	return a, err
}

// compare counts what only one side has. Rises under way stay, so they are not
// missed.
func (a *Against) compare(theirs, ours map[riseName]bool) {
	for n, ended := range ours {
		if _, there := theirs[n]; there || !ended {
			continue
		}
		a.Missing++
		if at := time.UnixMilli(n.startMS).UTC(); at.After(a.Last) {
			a.Last = at
		}
	}
	for n := range theirs {
		if _, there := ours[n]; !there {
			a.Returned++
		}
	}
}

// riseNames reads the names of all rises and whether each has ended.
func riseNames(ctx context.Context, db *sql.DB) (map[riseName]bool, error) {
	rows, err := db.QueryContext(ctx, "SELECT vessel, started_ms, ended_ms IS NOT NULL FROM rises")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[riseName]bool{}
	for rows.Next() {
		var n riseName
		var ended bool
		if err := rows.Scan(&n.vessel, &n.startMS, &ended); err != nil {
			return nil, err
		}
		out[n] = ended
	}
	return out, rows.Err()
}
