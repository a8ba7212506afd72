package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"tidemark/estimator"
	"tidemark/sensor/record"
)

// longestGap is the most time that may lie between two rows. A longer one is a
// clock that was set in between: no dough is left alone for a month.
const longestGap = 31 * 24 * time.Hour

// Check reads the whole record once and refuses what is wrong with it or with
// the chart's name, before anything is written. It notes in o whether the record
// says when the rise starts. The error names file, line and column where there
// are any.
func Check(ctx context.Context, o *Options) error {
	if err := checkChartFile(o.ChartFile); err != nil {
		return err
	}
	var err error
	o.HasStart, err = CheckRecord(ctx, o.Record)
	return err
}

// CheckRecord reads a whole record and says whether it holds a start row.
func CheckRecord(ctx context.Context, path string) (hasStart bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("the record cannot be read: %w", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return false, fmt.Errorf("%s is not a plain file; a record is read twice, so name a .csv file", path)
	}
	rows, err := record.Open(f, path)
	if err != nil {
		return false, err
	}
	return checkRows(ctx, rows, path)
}

// checkRows reads every row and says whether one of them is a start.
func checkRows(ctx context.Context, rows *record.Reader, name string) (hasStart bool, err error) {
	var last time.Time
	for n := 0; ; n++ {
		row, err := rows.Next()
		switch {
		case errors.Is(err, io.EOF) && n == 0:
			return false, &record.Error{File: name, Line: 1, Column: 1, Msg: "no rows after the header; expected at least one"}
		case errors.Is(err, io.EOF):
			return hasStart, nil
		case err != nil:
			return false, err
		case n > 0 && row.Time.Sub(last) > longestGap:
			return false, &record.Error{File: name, Line: row.Line, Column: 1, Msg: fmt.Sprintf(
				"time %s is more than %d days after the row above (%s); if the clock was set in between, cut the rows before off",
				row.Time.Format(time.RFC3339), longestGap/(24*time.Hour), last.Format(time.RFC3339))}
		}
		last = row.Time
		hasStart = hasStart || estimator.Event(row.Event) == estimator.Start
		if err := ctx.Err(); err != nil {
			return false, err
		}
	}
}
