package lookback

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"tidemark/history"
	"tidemark/web/past"
	"tidemark/web/say"
)

// Show prints one rise in full: what came of it, its facts, what was done, how the
// forecast did, and the curve as a table.
func (p Printer) Show(ctx context.Context, id int64) error {
	rises, err := p.rises(ctx, []int64{id})
	if err != nil {
		return err
	}
	r := rises[0]
	fmt.Fprintf(p.Out, "%d: %s (%s)\n%s\n\n", r.ID, past.Name(r, p.House), r.Holds, past.Sentence(r, p.House))
	t := p.table()
	for _, f := range past.Facts(r, p.House) {
		if f.Value != "" {
			fmt.Fprintf(t, "%s\t%s\n", f.Name, strings.Join(strings.Fields(f.Value), " "))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if err := p.acts(ctx, id); err != nil {
		return err
	}
	if err := p.forecasts(ctx, r); err != nil {
		return err
	}
	return p.curve(ctx, r)
}

// acts prints what people did.
func (p Printer) acts(ctx context.Context, id int64) error {
	acts, err := p.Store.Acts(ctx, id)
	if err != nil || len(acts) == 0 {
		return err
	}
	fmt.Fprintln(p.Out, "\nWhat was done:")
	t := p.table()
	for _, a := range acts {
		undone := ""
		if a.Undone {
			undone = "undone"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", p.House.Clock(a.At), a.Kind, a.By, undone)
	}
	return t.Flush()
}

// forecasts prints what was foretold some hours before the mark was reached.
func (p Printer) forecasts(ctx context.Context, r history.Rise) error {
	if r.ReachedAt.IsZero() {
		return nil
	}
	kept, err := p.Store.Forecasts(ctx, r.ID)
	if err != nil || len(kept) == 0 {
		return err
	}
	fmt.Fprintf(p.Out, "\nThe mark was reached at %s. It was foretold:\n", p.House.Clock(r.ReachedAt))
	t := p.table()
	for _, ahead := range []time.Duration{4 * time.Hour, 2 * time.Hour, time.Hour, 30 * time.Minute} {
		f, ok := lastBefore(kept, r.ReachedAt.Add(-ahead))
		if !ok {
			continue
		}
		inside := "outside the window"
		if !r.ReachedAt.Before(f.Ready.From) && !r.ReachedAt.After(f.Ready.Until) {
			inside = "within the window"
		}
		fmt.Fprintf(t, "  %s ahead\tbetween %s (8 in 10)\tmost likely %s\t%s\n", say.Duration(r.ReachedAt.Sub(f.At)),
			p.House.Between(f.Ready.From, f.Ready.Until, f.At), p.House.Clock(f.Ready.Median), inside)
	}
	return t.Flush()
}

// lastBefore is the last forecast with a window at or before t, and not more than
// half an hour older.
func lastBefore(kept []history.Forecast, t time.Time) (history.Forecast, bool) {
	var found history.Forecast
	for _, f := range kept {
		if !f.At.After(t) && !f.Ready.IsZero() {
			found = f
		}
	}
	return found, !found.At.IsZero() && t.Sub(found.At) <= 30*time.Minute
}

// curve prints the samples at even steps of the clock, about twenty of them.
func (p Printer) curve(ctx context.Context, r history.Rise) error {
	t := p.table()
	head := false
	var next time.Time
	step := 15 * time.Minute
	if end := r.EndedAt; !end.IsZero() {
		for end.Sub(r.StartedAt) > 24*step {
			step *= 2
		}
	}
	for row, err := range p.Store.Rows(ctx, r.ID, time.Time{}, time.Time{}) {
		if err != nil {
			return err
		}
		if row.Time.Before(next) && row.Event == "" {
			continue
		}
		if !head {
			fmt.Fprintln(p.Out, "\nThe rise:")
			fmt.Fprintln(t, "  Time\tRise\tDough\tAir\tGrowth time at 24 °C\t")
			head = true
		}
		next = row.Time.Truncate(step).Add(step)
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\n", p.House.Clock(row.Time), plusMinus(row), p.degrees(row.DoughC), p.degrees(row.AirC),
			number(row.EquivHours, 1, "h"), row.Event)
	}
	return t.Flush()
}

// plusMinus is the rise with its standard deviation.
func plusMinus(r history.Row) string {
	if math.IsNaN(r.RisePercent) {
		return "-"
	}
	if math.IsNaN(r.RiseSD) {
		return number(r.RisePercent, 0, "%")
	}
	return fmt.Sprintf("%.0f ± %.0f %%", r.RisePercent+0, r.RiseSD)
}
