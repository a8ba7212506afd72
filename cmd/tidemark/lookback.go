package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/web/past"
)

// defaultStateDir is where the packaged service keeps its state.
const defaultStateDir = "/var/lib/tidemark"

// place is where a history is looked for.
type place struct {
	Path string
	How  string // in words, for errors
}

// findHistory returns where the service's history is. It asks in this order: the file named
// by hand, TIDEMARK_STATE, systemd's STATE_DIRECTORY, state_dir of the
// configuration, /var/lib/tidemark. The file must exist unless mayBeNew.
func findHistory(byHand, configFile string, getenv func(string) string, mayBeNew bool) (place, error) {
	p, err := where(byHand, configFile, getenv)
	if err != nil {
		return place{}, err
	}
	_, err = os.Stat(p.Path)
	switch {
	case err == nil || mayBeNew && errors.Is(err, fs.ErrNotExist):
		return p, nil
	case errors.Is(err, fs.ErrPermission):
		return place{}, fmt.Errorf("no permission to read %s (%s); run it with sudo, or as the user of the service", p.Path, p.How)
	}
	return place{}, fmt.Errorf("there is no history at %s (%s); name it with --db FILE", p.Path, p.How)
}

// where decides on the place without looking at it.
func where(byHand, configFile string, getenv func(string) string) (place, error) {
	if byHand != "" {
		return place{byHand, "named by --db"}, nil
	}
	for _, name := range []string{"TIDEMARK_STATE", "STATE_DIRECTORY"} {
		if dir, _, _ := strings.Cut(getenv(name), ":"); dir != "" { // systemd lists several with colons
			return place{filepath.Join(dir, historyFile), "named by " + name}, nil
		}
	}
	dir, err := config.StateDir(configFile)
	switch {
	case err != nil:
		return place{}, fmt.Errorf("%w; name the history with --db FILE", err)
	case dir != "":
		return place{filepath.Join(dir, historyFile), "named by state_dir in " + configFile}, nil
	}
	return place{filepath.Join(defaultStateDir, historyFile), "the usual place"}, nil
}

// Export writes one rise with its samples, as the page gives it: as CSV, which replay and
// import read, or as JSON.
func (p printer) Export(ctx context.Context, id int64, asJSON bool) error {
	r, err := p.rise(ctx, id)
	if err != nil {
		return err
	}
	rows, err := p.Store.Record(ctx, id)
	if err != nil {
		return err
	}
	if asJSON {
		return past.WriteJSON(p.Out, r, rows, p.Words.Locale().Zone)
	}
	return past.WriteCSV(p.Out, rows, p.Words.Locale().Zone)
}

// printer prints what is asked of one open history. Every number comes from the stored
// rise and its stored samples, as on the page.
type printer struct {
	Out   io.Writer
	Store *history.Store
	Words *text.Localizer // in English, as all that the command prints
}

// table prints lines of cells in aligned columns that end without blanks.
func (p printer) table(lines [][]string) error {
	var text strings.Builder
	w := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	for _, cells := range lines {
		fmt.Fprintln(w, strings.Join(cells, "\t"))
	}
	err := w.Flush()
	for line := range strings.Lines(text.String()) {
		if err == nil {
			_, err = fmt.Fprintln(p.Out, strings.TrimRight(plain(line), " \n"))
		}
	}
	return err
}

// plain lets lines break anywhere, as a terminal does.
func plain(words string) string { return strings.ReplaceAll(words, "\u00a0", " ") }

// number writes a number with so many decimals, or a dash.
func number(v float64, decimals int, unit string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	return strings.TrimSpace(fmt.Sprintf("%.*f %s", decimals, v+0, unit))
}

// degrees writes a temperature, or a dash. A field that was never set is not known.
func (p printer) degrees(c float64) string {
	if c == 0 || number(c, 1, "") == "-" {
		return "-"
	}
	return p.Words.TempFine(c)
}

// rise reads the rise of a number.
func (p printer) rise(ctx context.Context, id int64) (bake.Rise, error) {
	r, err := p.Store.Rise(ctx, id)
	if err != nil {
		err = fmt.Errorf("%w; tidemark history list shows the numbers", err)
	}
	return r, err
}

// List prints the rises that fit the filter, newest first. With asJSON it prints
// one object a line, as in an export.
func (p printer) List(ctx context.Context, f history.Filter, asJSON bool) error {
	page, err := p.Store.Rises(ctx, f)
	if err != nil {
		return err
	}
	if asJSON {
		enc := json.NewEncoder(p.Out)
		for _, r := range page.Rises {
			if err := enc.Encode(past.Rise(r, p.Words.Locale().Zone)); err != nil {
				return err
			}
		}
		return nil
	}
	if len(page.Rises) == 0 {
		fmt.Fprintln(p.Out, "No rise fits.")
		return nil
	}
	lines := [][]string{{"No.", "Started", "Vessel", "Holds", "To the mark", "Highest", "Dough", "Result", "Note"}}
	for _, r := range page.Rises {
		lines = append(lines, []string{fmt.Sprint(r.ID), p.Words.Date(r.StartedAt) + " " + p.Words.Clock(r.StartedAt), r.Vessel, string(r.Holds),
			p.toMark(r), number(r.PeakPercent, 0, "%"), p.degrees(r.MeanDoughC), past.OutcomeWord(r.Outcome, p.Words), short(r)})
	}
	err = p.table(lines)
	if page.Next != "" {
		fmt.Fprintf(p.Out, "\nThere are older ones: --limit shows more.\n")
	}
	return err
}

// toMark says how long the rise took to its mark.
func (p printer) toMark(r bake.Rise) string {
	switch {
	case !r.ReachedAt.IsZero():
		return p.Words.Span(r.ReachedAt.Sub(r.StartedAt))
	case r.UnderWay():
		return "under way"
	case !(r.TargetPercent > 0):
		return "-"
	}
	return "not reached"
}

// short returns the beginning of the note, and whether the rise is invented or
// imported.
func short(r bake.Rise) string {
	text := strings.Join(strings.Fields(r.Note), " ")
	if note := []rune(text); len(note) > 40 {
		text = string(note[:39]) + "…"
	}
	if r.Imported {
		text = "[imported] " + text
	}
	if r.Demo {
		text = "[invented] " + text
	}
	return text
}

// Show prints one rise: what came of it, its facts, what was done and what was forecast.
// Its curve is on the page and in an export.
func (p printer) Show(ctx context.Context, id int64) error {
	r, err := p.rise(ctx, id)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.Out, "%d: %s (%s)\n%s\n\n", r.ID, past.Name(r, p.Words), r.Holds, past.Sentence(r, p.Words))
	var facts [][]string
	for _, f := range past.Facts(r, p.Words) {
		facts = append(facts, []string{f.Name, strings.Join(strings.Fields(f.Value), " ")})
	}
	if err := p.table(facts); err != nil {
		return err
	}
	if err := p.events(ctx, id); err != nil {
		return err
	}
	kept, err := p.Store.Forecasts(ctx, id)
	if err != nil {
		return err
	}
	if told := past.Foretold(r, kept, p.Words); len(told) > 0 {
		fmt.Fprintln(p.Out, "\nWhat was forecast:")
		for _, said := range told {
			fmt.Fprintf(p.Out, "  %s\n", said)
		}
	}
	return nil
}

// events prints what people did.
func (p printer) events(ctx context.Context, id int64) error {
	events, err := p.Store.Events(ctx, id)
	if err != nil || len(events) == 0 {
		return err
	}
	fmt.Fprintln(p.Out, "\nWhat was done:")
	var lines [][]string
	for _, e := range events {
		undone := ""
		if e.Undone() {
			undone = "undone"
		}
		lines = append(lines, []string{"  " + p.Words.Clock(e.At), string(e.Kind), e.By, undone})
	}
	return p.table(lines)
}
