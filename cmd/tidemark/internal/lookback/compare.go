package lookback

import (
	"context"
	"fmt"
	"math"
	"strings"

	"tidemark/history"
	"tidemark/web/past"
)

// Compare prints a table of what differed between rises and lays their curves over
// each other, on hours by the clock or on growth time at 24 C.
func (p Printer) Compare(ctx context.Context, ids []int64, axis history.Axis) error {
	rises, err := p.rises(ctx, ids)
	if err != nil {
		return err
	}
	c := history.Compare(rises)
	t := p.table()
	row := func(mark, name string, cell func(i int) string) {
		fmt.Fprintf(t, "%s\t%s", mark, name)
		for i := range rises {
			fmt.Fprintf(t, "\t%s", cell(i))
		}
		fmt.Fprintln(t)
	}
	row("", "", func(i int) string { return fmt.Sprintf("%d", rises[i].ID) })
	row("", "vessel", func(i int) string { return rises[i].Vessel })
	row("", "started", func(i int) string { return p.House.Date(rises[i].StartedAt) })
	for _, l := range c.Lines {
		mark := ""
		if l.Differs {
			mark = "*"
		}
		row(mark, l.Feature.Label, func(i int) string {
			if l.Feature.Unit == "C" {
				return p.degrees(l.Values[i])
			}
			return number(l.Values[i], l.Feature.Decimals, l.Feature.Unit)
		})
	}
	row("", "result", func(i int) string { return orDash(past.OutcomeWord(rises[i].Outcome)) })
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(p.Out, "\n* differs by more than matters")
	return p.overlay(ctx, rises, axis)
}

// orDash is s, or a dash for nothing.
func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// overlay prints the curves side by side.
func (p Printer) overlay(ctx context.Context, rises []history.Rise, axis history.Axis) error {
	curves := make([][]history.OverlayPoint, len(rises))
	longest := 0.0
	for i, r := range rises {
		points, err := p.Store.Curve(ctx, r.ID, 400)
		if err != nil {
			return err
		}
		curves[i] = history.Overlay(r.StartedAt, points, axis)
		if n := len(curves[i]); n > 0 {
			longest = math.Max(longest, curves[i][n-1].Hours)
		}
	}
	if longest == 0 {
		fmt.Fprintln(p.Out, "\nNo curve is known of these.")
		return nil
	}
	title := "Rise by hours since the start:"
	if axis == history.EquivAxis {
		title = "Rise by growth time, as if all had stood at 24 °C:"
	}
	fmt.Fprintln(p.Out, "\n"+title)
	step := 0.25
	for longest/step > 20 {
		step *= 2
	}
	t := p.table()
	for h := 0.0; h <= longest+step/2; h += step {
		cells := []string{number(h, 2, "h")}
		for _, c := range curves {
			cells = append(cells, number(at(c, h), 0, "%"))
		}
		fmt.Fprintln(t, "  "+strings.Join(cells, "\t"))
	}
	return t.Flush()
}

// at interpolates a curve; NaN outside it.
func at(c []history.OverlayPoint, hours float64) float64 {
	for i, p := range c {
		if p.Hours < hours {
			continue
		}
		if i == 0 {
			if p.Hours-hours < 0.1 {
				return p.RisePercent
			}
			return math.NaN()
		}
		q := c[i-1]
		if p.Hours == q.Hours {
			return p.RisePercent
		}
		return q.RisePercent + (p.RisePercent-q.RisePercent)*(hours-q.Hours)/(p.Hours-q.Hours)
	}
	if n := len(c); n > 0 && hours-c[n-1].Hours < 0.05 {
		return c[n-1].RisePercent
	}
	return math.NaN()
}

// Vigour prints how lively the starter of a vessel is over the weeks.
func (p Printer) Vigour(ctx context.Context, vessel string) error {
	rises, err := p.all(ctx, history.Filter{Vessel: vessel})
	if err != nil {
		return err
	}
	v := history.VigourOf(rises)
	if len(v.Points) == 0 {
		fmt.Fprintln(p.Out, "No feeding of a starter was watched past its peak yet.")
		return nil
	}
	t := p.table()
	fmt.Fprintln(t, "No.\tFed\tTo the peak, as at 24 °C\tPeak")
	for _, x := range v.Points {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\n", x.RiseID, p.House.Date(x.At), number(x.EquivToPeak, 1, "h"), number(x.PeakPercent, 0, "%"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(p.Out)
	fmt.Fprintln(p.Out, past.TrendWords("The time to the peak", v.ToPeak, "h", 1))
	fmt.Fprintln(p.Out, past.TrendWords("The height of the peak", v.Peak, "points", 0))
	return nil
}

// Best prints what the doughs judged right had in common.
func (p Printer) Best(ctx context.Context) error {
	rises, err := p.all(ctx, history.Filter{})
	if err != nil {
		return err
	}
	for _, line := range past.InCommon(rises, p.House) {
		fmt.Fprintln(p.Out, line)
	}
	return nil
}
