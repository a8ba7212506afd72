// Package lookback is the command line's view of past rises: it finds the
// service's history by itself and prints lists, one rise, comparisons and exports.
//
// Units: percent of rise, temperatures and times as the household writes them.
// Every number comes from the stored rise and its stored samples, as on the page.
//
// It opens the history beside the service that owns it and, apart from restore and
// import, changes nothing.
package lookback

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"

	"tidemark/history"
	"tidemark/web/say"
)

// Printer prints what is asked of one open history.
type Printer struct {
	Out   io.Writer
	Store *history.Store
	House say.House
	Now   time.Time
}

// table is a table whose columns are aligned and whose lines end without blanks.
type table struct {
	*tabwriter.Writer
	text *strings.Builder
	out  io.Writer
}

// table starts a table; print it with Flush.
func (p Printer) table() table {
	var text strings.Builder
	return table{tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0), &text, p.Out}
}

// Flush prints the table.
func (t table) Flush() error {
	if err := t.Writer.Flush(); err != nil {
		return err
	}
	for line := range strings.Lines(t.text.String()) {
		if _, err := fmt.Fprintln(t.out, strings.TrimRight(line, " \n")); err != nil {
			return err
		}
	}
	return nil
}

// number writes a number with so many decimals, or a dash.
func number(v float64, decimals int, unit string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	if unit != "" {
		unit = " " + unit
	}
	return fmt.Sprintf("%.*f%s", decimals, v+0, unit)
}

// rises reads the rises with the given ids, in their order.
func (p Printer) rises(ctx context.Context, ids []int64) ([]history.Rise, error) {
	out := make([]history.Rise, 0, len(ids))
	for _, id := range ids {
		r, err := p.Store.Rise(ctx, id)
		if err != nil {
			return nil, fmt.Errorf("%w; tidemark history list shows the numbers", err)
		}
		out = append(out, r)
	}
	return out, nil
}

// all reads every rise that fits the filter, newest first.
func (p Printer) all(ctx context.Context, f history.Filter) ([]history.Rise, error) {
	var out []history.Rise
	f.Limit = 500
	for {
		page, err := p.Store.Rises(ctx, f)
		if err != nil {
			return nil, err
		}
		out = append(out, page.Rises...)
		if page.Next == "" {
			return out, nil
		}
		f.Cursor = page.Next
	}
}
