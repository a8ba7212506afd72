package history

import (
	"context"
	"database/sql"
	"encoding/base64"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// overlay replaces rises by their held state and appends held ones that the file
// does not know.
func (s *Store) overlay(rises []Rise) []Rise {
	for _, h := range list(&s.held, &s.held.rises) {
		i := slices.IndexFunc(rises, func(r Rise) bool { return r.ID == h.ID })
		if i < 0 {
			rises = append(rises, h)
			continue
		}
		h.Outcome, h.OvenSpring, h.Note = rises[i].Outcome, rises[i].OvenSpring, rises[i].Note
		rises[i] = h
	}
	return rises
}

// selectRises reads rises.
func (s *Store) selectRises(ctx context.Context, where string, args ...any) ([]Rise, error) {
	var out []Rise
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT "+riseColumns+" FROM rises "+where, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			r, err := scanRise(rows.Scan)
			if err != nil {
				return err
			}
			out = append(out, r)
		}
		return rows.Err()
	})
	return out, err
}

// Rises returns one page of rises, newest start first.
func (s *Store) Rises(ctx context.Context, f Filter) (Page, error) {
	limit := f.Limit
	switch {
	case limit == 0:
		limit = 50
	case limit < 0 || limit > 500:
		return Page{}, fmt.Errorf("history: a page has 1 to 500 rises, got %d", limit)
	}
	where, args, err := f.where()
	if err != nil {
		return Page{}, err
	}
	rises, err := s.selectRises(ctx, where+" ORDER BY started_ms DESC, id DESC LIMIT ?", append(args, limit+1)...)
	if err != nil {
		return Page{}, err
	}
	var p Page
	if len(rises) > limit {
		rises = rises[:limit]
		p.Next = encodeCursor(rises[limit-1])
	}
	p.Rises = rises
	if f == (Filter{Limit: f.Limit}) {
		p.Rises = s.overlay(rises)
		slices.SortStableFunc(p.Rises, func(a, b Rise) int { return b.StartedAt.Compare(a.StartedAt) })
	}
	return p, nil
}

// where turns the filter into SQL.
func (f Filter) where() (string, []any, error) {
	var cond []string
	var args []any
	add := func(c string, a ...any) { cond, args = append(cond, c), append(args, a...) }
	if f.Vessel != "" {
		add("vessel = ?", f.Vessel)
	}
	if !f.From.IsZero() {
		add("started_ms >= ?", f.From.UnixMilli())
	}
	if !f.Until.IsZero() {
		add("started_ms < ?", f.Until.UnixMilli())
	}
	switch f.Outcome {
	case "":
	case "none":
		add("outcome = ''")
	default:
		if err := checkOutcome(f.Outcome); err != nil {
			return "", nil, err
		}
		add("outcome = ?", f.Outcome)
	}
	if f.Text != "" {
		like := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(f.Text) + "%"
		add(`(vessel LIKE ? ESCAPE '\' OR note LIKE ? ESCAPE '\' OR oven_spring LIKE ? ESCAPE '\')`, like, like, like)
	}
	if f.Cursor != "" {
		started, id, err := decodeCursor(f.Cursor)
		if err != nil {
			return "", nil, err
		}
		add("(started_ms, id) < (?, ?)", started, id)
	}
	if len(cond) == 0 {
		return "", nil, nil
	}
	return "WHERE " + strings.Join(cond, " AND "), args, nil
}

// encodeCursor names the place after a rise.
func encodeCursor(r Rise) string {
	return base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d.%d", r.StartedAt.UnixMilli(), r.ID))
}

// decodeCursor reads what encodeCursor wrote.
func decodeCursor(c string) (startedMS, id int64, err error) {
	b, err := base64.RawURLEncoding.DecodeString(c)
	a, z, ok := strings.Cut(string(b), ".")
	if err == nil && ok {
		if startedMS, err = strconv.ParseInt(a, 10, 64); err == nil {
			id, err = strconv.ParseInt(z, 10, 64)
		}
	}
	if err != nil || !ok {
		return 0, 0, fmt.Errorf("history: %q is not a place in the list; leave it out to start at the newest", c)
	}
	return startedMS, id, nil
}

// Vessels returns the names of all vessels that ever had a rise.
func (s *Store) Vessels(ctx context.Context) ([]string, error) {
	var out []string
	err := s.query(func(db *sql.DB) error {
		rows, err := db.QueryContext(ctx, "SELECT DISTINCT vessel FROM rises ORDER BY vessel")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var v string
			if err := rows.Scan(&v); err != nil {
				return err
			}
			out = append(out, v)
		}
		return rows.Err()
	})
	return out, err
}
