package lookback

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"tidemark/history"
	"tidemark/web/past"
	"tidemark/web/say"
)

// List prints the rises that fit the filter, newest first. With asJSON it prints
// one object a line, as in an export.
func (p Printer) List(ctx context.Context, f history.Filter, asJSON bool) error {
	page, err := p.Store.Rises(ctx, f)
	if err != nil {
		return err
	}
	if asJSON {
		enc := json.NewEncoder(p.Out)
		for _, r := range page.Rises {
			if err := enc.Encode(past.Rise(r, p.House.Zone)); err != nil {
				return err
			}
		}
		return nil
	}
	if len(page.Rises) == 0 {
		fmt.Fprintln(p.Out, "No rise fits.")
		return nil
	}
	t := p.table()
	fmt.Fprintln(t, "No.\tStarted\tVessel\tHolds\tTo the mark\tHighest\tDough\tResult\tNote")
	for _, r := range page.Rises {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, p.House.Date(r.StartedAt)+" "+p.House.Clock(r.StartedAt), r.Vessel,
			r.Holds, toMark(r), number(r.PeakPercent, 0, "%"), p.degrees(r.MeanDoughC), past.OutcomeWord(r.Outcome), short(r))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if page.Next != "" {
		fmt.Fprintf(p.Out, "\nThere are older ones: --limit shows more, --until only those before a day.\n")
	}
	return nil
}

// toMark says how long the rise took to its mark.
func toMark(r history.Rise) string {
	switch {
	case !r.ReachedAt.IsZero():
		return say.Duration(r.ReachedAt.Sub(r.StartedAt))
	case r.UnderWay():
		return "under way"
	case !(r.TargetPercent > 0):
		return "-"
	}
	return "not reached"
}

// degrees writes a temperature, or a dash. A field that was never set is not known.
func (p Printer) degrees(c float64) string {
	if !(c != 0) || number(c, 1, "") == "-" {
		return "-"
	}
	return p.House.Temperature(c)
}

// short is the beginning of the note, and whether the rise is invented or imported.
func short(r history.Rise) string {
	var words []string
	if r.Demo {
		words = append(words, "[invented]")
	}
	if r.Imported {
		words = append(words, "[imported]")
	}
	note := []rune(strings.Join(strings.Fields(r.Note), " "))
	if len(note) > 40 {
		note = append(note[:39], '…')
	}
	return strings.Join(append(words, string(note)), " ")
}
