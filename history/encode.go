package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"
)

// The moments a file may hold, in milliseconds since 1970: 1970 to 2200. What a
// spoiled file has beyond is read as its bound, so that it can be shown.
const latestMS = 7_258_118_400_000

// ms is a time as whole milliseconds since 1970; nil (NULL) when zero.
func ms(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMilli()
}

// fromMS is the time of a column; zero when NULL.
func fromMS(v sql.NullInt64) time.Time {
	if !v.Valid {
		return time.Time{}
	}
	return time.UnixMilli(min(max(v.Int64, -latestMS), latestMS)).UTC()
}

// number is a float for a column; nil (NULL) when NaN or infinite.
func number(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

// tooLarge is what no measurement reaches.
const tooLarge = 1e12

// fromNumber is the float of a column; NaN when NULL or no measurement.
func fromNumber(v sql.NullFloat64) float64 {
	if !v.Valid || !(math.Abs(v.Float64) < tooLarge) {
		return math.NaN()
	}
	return v.Float64
}

// milli is a float as whole thousandths for a column; nil (NULL) when it is not
// a number or too large to be a measurement.
func milli(v float64) any {
	if !(math.Abs(v) < tooLarge) {
		return nil
	}
	return int64(math.Round(v * 1000))
}

// fromMilli is the float of a column of thousandths; NaN when NULL or no
// measurement.
func fromMilli(v sql.NullInt64) float64 {
	f := float64(v.Int64) / 1000
	if !v.Valid || !(math.Abs(f) < tooLarge) {
		return math.NaN()
	}
	return f
}

// text is a string for a column; nil (NULL) when empty.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// scanner reads one line into variables.
type scanner func(dest ...any) error

// scanInt reads a line of one whole number.
func scanInt(scan scanner) (n int64, err error) {
	err = scan(&n)
	return n, err
}

// scanText reads a line of one text.
func scanText(scan scanner) (text string, err error) {
	err = scan(&text)
	return text, err
}

// querier is what can be asked: a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// selectIn reads all lines of a query.
func selectIn[T any](ctx context.Context, db querier, of func(scan scanner) (T, error), query string, args ...any) ([]T, error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := of(rows.Scan)
		if err != nil {
			return out, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// selectAll reads all lines of a query with the store's readers. Without a file
// there are none.
func selectAll[T any](ctx context.Context, s *Store, of func(scan scanner) (T, error), query string, args ...any) (out []T, err error) {
	err = s.query(func(db *sql.DB) (err error) {
		out, err = selectIn(ctx, db, of, query, args...)
		return err
	})
	if errors.Is(err, errNoFile) {
		return nil, nil
	}
	return out, err
}

// selectOne reads the one line of a query, or returns ErrNotFound with what was
// looked for.
func selectOne[T any](ctx context.Context, s *Store, what string, of func(scan scanner) (T, error), query string, args ...any) (T, error) {
	out, err := selectAll(ctx, s, of, query, args...)
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("%w: %s", ErrNotFound, what)
	}
	if err != nil {
		var none T
		return none, err
	}
	return out[0], nil
}
