package history

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
)

// column is what a column is read into and what is written to it, so that a type
// lists its columns once (Rise.fields and its like).
type column[T any] struct {
	v   *T
	get func(T) any // nil is NULL
	set func(any) T // from NULL, or from what does not belong there, the missing value
}

// Value implements driver.Valuer.
func (c column[T]) Value() (driver.Value, error) { return c.get(*c.v), nil }

// Scan implements sql.Scanner.
func (c column[T]) Scan(v any) error {
	*c.v = c.set(v)
	return nil
}

// latestMS is 2200-01-01. What a spoiled file has beyond the same distance from 1970
// is read as that bound, so that it can be shown.
const latestMS = 7_258_118_400_000

// tooLarge is what no measurement reaches; it reads as NaN and is not written.
const tooLarge = 1e12

// instant is whole milliseconds since 1970; NULL is the zero time.
func instant(t *time.Time) column[time.Time] {
	return column[time.Time]{t, func(t time.Time) any {
		if t.IsZero() {
			return nil
		}
		return t.UnixMilli()
	}, func(v any) time.Time {
		if ms, ok := v.(int64); ok {
			return time.UnixMilli(min(max(ms, -latestMS), latestMS)).UTC()
		}
		return time.Time{}
	}}
}

// real is a number as it is; NULL is NaN.
func real(f *float64) column[float64] {
	return column[float64]{f, func(f float64) any {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return nil
		}
		return f
	}, func(v any) float64 {
		f, ok := v.(float64)
		if n, whole := v.(int64); whole {
			f, ok = float64(n), true
		}
		if !ok || !(math.Abs(f) < tooLarge) {
			return math.NaN()
		}
		return f
	}}
}

// thousandth is whole thousandths; NULL is NaN.
func thousandth(f *float64) column[float64] {
	return column[float64]{f, func(f float64) any {
		if !(math.Abs(f) < tooLarge) {
			return nil
		}
		return int64(math.Round(f * 1000))
	}, func(v any) float64 {
		if n, ok := v.(int64); ok && math.Abs(float64(n)) < 1000*tooLarge {
			return float64(n) / 1000
		}
		return math.NaN()
	}}
}

// orNull is a value that is NULL when it is the zero one: a number, or a text.
func orNull[T comparable](v *T) column[T] {
	return column[T]{v, func(t T) any {
		var zero T
		if t == zero {
			return nil
		}
		return t
	}, func(v any) T {
		t, _ := v.(T)
		return t
	}}
}

// blob is bytes; NULL is nil.
func blob(b *[]byte) column[[]byte] {
	return column[[]byte]{b, func(b []byte) any {
		if b == nil {
			return nil
		}
		return b
	}, func(v any) []byte {
		b, _ := v.([]byte)
		return slices.Clone(b)
	}}
}

// detail is the detail of an event as JSON; NULL, and what is none, is the empty one.
func detail(d *bake.Detail) column[bake.Detail] {
	return column[bake.Detail]{d, func(d bake.Detail) any {
		if d == (bake.Detail{}) {
			return nil
		}
		body, _ := json.Marshal(d) // a checked event always marshals
		return string(body)
	}, func(v any) (d bake.Detail) {
		text, _ := v.(string)
		_ = json.Unmarshal([]byte(text), &d) // what cannot be read is left out
		return d
	}}
}

// upsertSQL returns the statement that writes one line of a table: a new one, or
// over the one with the same key, whose columns in keep then stay.
func upsertSQL(table, key, columns string, keep ...string) string {
	var marks, set []string
	for c := range strings.SplitSeq(columns, ", ") {
		marks = append(marks, "?")
		if !slices.Contains(keep, c) {
			set = append(set, c+" = excluded."+c)
		}
	}
	return "INSERT INTO " + table + " (" + columns + ") VALUES (" + strings.Join(marks, ",") +
		") ON CONFLICT (" + key + ") DO UPDATE SET " + strings.Join(set, ", ")
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

// selectAll reads all lines of a query from the store. Without a file there are
// none.
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

// first returns the first of what was read, or ErrNotFound with what was looked for.
func first[T any](out []T, err error, what string, id any) (T, error) {
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("%w: %s %v", ErrNotFound, what, id)
	}
	if err != nil {
		var none T
		return none, err
	}
	return out[0], nil
}
