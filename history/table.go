package history

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
)

// column is what a column is read into and what is written to it, so that a type
// lists its columns once, in its table.
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

// stamp is an instant that is always written.
func stamp(t *time.Time) column[time.Time] {
	c := instant(t)
	c.get = func(t time.Time) any { return t.UnixMilli() }
	return c
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

// jsonOf is a value as JSON; NULL, and what is none, is the zero value.
func jsonOf[T any](v *T) column[T] {
	return column[T]{v, func(v T) any {
		if reflect.ValueOf(v).IsZero() {
			return nil
		}
		body, _ := json.Marshal(v) // what is kept always marshals
		return string(body)
	}, func(v any) (t T) {
		text, _ := v.(string)
		if json.Unmarshal([]byte(text), &t) != nil {
			return *new(T)
		}
		return t
	}}
}

// bytesOf is a text in a column of bytes.
func bytesOf[T any](c column[T]) column[T] {
	text, read := c.get, c.set
	c.get = func(v T) any {
		s, _ := text(v).(string)
		return []byte(s)
	}
	c.set = func(v any) T {
		b, _ := v.([]byte)
		return read(string(b))
	}
	return c
}

// table is how values of one type are stored.
type table[T any] struct {
	name, columns string
	key           string                    // the columns that tell lines apart
	keep          string                    // columns that stay when a line is written over
	also          string                    // what is set then besides
	fields        func(v *T) []any          // in the order of columns
	id            func(v T) any             // tells values apart
	merge         func(stored, waiting T) T // nil: what waits takes the place of what is stored
}

// upsert returns the statement that writes one line: a new one, or over the one with
// the same key.
func (t table[T]) upsert() string {
	var marks, set []string
	for c := range strings.SplitSeq(t.columns, ", ") {
		marks = append(marks, "?")
		if !slices.Contains(strings.Split(t.key+", "+t.keep, ", "), c) {
			set = append(set, c+" = excluded."+c)
		}
	}
	if t.also != "" {
		set = append(set, t.also)
	}
	return "INSERT INTO " + t.name + " (" + t.columns + ") VALUES (" + strings.Join(marks, ",") +
		") ON CONFLICT (" + t.key + ") DO UPDATE SET " + strings.Join(set, ", ")
}

// record returns what stores a value.
func (t table[T]) record(v T) record {
	r := record{value: v, write: func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, t.upsert(), t.fields(&v)...)
		return err
	}}
	if t.id != nil {
		r.key = recordKey{t.name, t.id(v)}
	}
	return r
}

// scan reads one line.
func (t table[T]) scan(scan scanner) (v T, err error) {
	err = scan(t.fields(&v)...)
	return v, err
}

// stored returns the values in the file that clause chooses.
func (t table[T]) stored(ctx context.Context, s *Store, clause string, args ...any) ([]T, error) {
	return selectAll(ctx, s, t.scan, "SELECT "+t.columns+" FROM "+t.name+" "+clause, args...)
}

// read returns the values that clause chooses in the file, and those that wait for the
// disk in their places; of these only the wanted. The order is left to the caller.
func (t table[T]) read(ctx context.Context, s *Store, wanted func(T) bool, clause string, args ...any) ([]T, error) {
	waiting := waiting[T](&s.pending) // first: what moves to the file meanwhile is seen twice, not never
	out, err := t.stored(ctx, s, clause, args...)
	for _, v := range waiting {
		if i := slices.IndexFunc(out, func(o T) bool { return t.id(o) == t.id(v) }); i >= 0 {
			if t.merge != nil {
				v = t.merge(out[i], v)
			}
			out = slices.Delete(out, i, i+1)
		}
		if wanted(v) {
			out = append(out, v)
		}
	}
	return out, err
}

// one returns the value with an id, or ErrNotFound.
func (t table[T]) one(ctx context.Context, s *Store, what string, id any) (T, error) {
	out, err := t.read(ctx, s, func(v T) bool { return t.id(v) == id }, "WHERE "+t.key+" = ?", id)
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("%w: %s %v", ErrNotFound, what, id)
	}
	if err != nil {
		return *new(T), err
	}
	return out[0], nil
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
