package record

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"
)

// longestGap is the most time that may lie between two rows. A longer one is a
// clock that was set in between: no dough is left alone for a month.
const longestGap = 31 * 24 * time.Hour

// CheckAll reads a whole record and says whether it holds a start row. It refuses a
// record without rows, with a row that cannot be read or with a gap of more than
// 31 days. The error names name, line and column.
func CheckAll(ctx context.Context, r io.Reader, name string) (hasStart bool, err error) {
	rows, err := Open(r, name)
	if err != nil {
		return false, err
	}
	var last time.Time
	for n := 0; ; n++ {
		row, err := rows.Next()
		switch {
		case errors.Is(err, io.EOF) && n == 0:
			return false, &Error{File: name, Line: 1, Column: 1, Msg: "no rows after the header; expected at least one"}
		case errors.Is(err, io.EOF):
			return hasStart, nil
		case err != nil:
			return false, err
		case n > 0 && row.Time.Sub(last) > longestGap:
			return false, &Error{File: name, Line: row.Line, Column: 1, Msg: fmt.Sprintf(
				"time %s is more than %d days after the row above (%s); if the clock was set in between, cut the rows before off",
				row.Time.Format(time.RFC3339), longestGap/(24*time.Hour), last.Format(time.RFC3339))}
		}
		last = row.Time
		hasStart = hasStart || row.Event == "start"
		if err := ctx.Err(); err != nil {
			return false, err
		}
	}
}
