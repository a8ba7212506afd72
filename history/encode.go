package history

import (
	"database/sql"
	"math"
	"time"
)

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
	return time.UnixMilli(v.Int64).UTC()
}

// number is a float for a column; nil (NULL) when NaN or infinite.
func number(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

// fromNumber is the float of a column; NaN when NULL.
func fromNumber(v sql.NullFloat64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.Float64
}

// milli is a float as whole thousandths for a column; nil (NULL) when it is not
// a number or too large to be a measurement.
func milli(v float64) any {
	if !(math.Abs(v) < 1e12) {
		return nil
	}
	return int64(math.Round(v * 1000))
}

// fromMilli is the float of a column of thousandths; NaN when NULL.
func fromMilli(v sql.NullInt64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return float64(v.Int64) / 1000
}

// text is a string for a column; nil (NULL) when empty.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}
