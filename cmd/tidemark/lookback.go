package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"

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

// export writes one rise with its samples, as the page gives it: as CSV, which replay and
// import read, or as JSON.
func (h *historyCall) export(ctx context.Context) error {
	r, err := h.rise(ctx)
	if err != nil {
		return err
	}
	rows, err := h.store.Record(ctx, r.ID)
	if err != nil {
		return err
	}
	if *h.json {
		return past.WriteJSON(h.out, r, rows, h.words.Locale().Zone)
	}
	return past.WriteCSV(h.out, rows, h.words.Locale().Zone)
}

// table prints lines of cells in aligned columns that end without blanks.
func (h *historyCall) table(lines [][]string) error {
	var text strings.Builder
	w := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	for _, cells := range lines {
		fmt.Fprintln(w, strings.Join(cells, "\t"))
	}
	err := w.Flush()
	for line := range strings.Lines(text.String()) {
		if err == nil {
			_, err = fmt.Fprintln(h.out, strings.TrimRight(plain(line), " \n"))
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
func (h *historyCall) degrees(c float64) string {
	if c == 0 || number(c, 1, "") == "-" {
		return "-"
	}
	return h.words.TempFine(c)
}

// rise reads the rise of the number behind the word.
func (h *historyCall) rise(ctx context.Context) (bake.Rise, error) {
	id, err := strconv.ParseInt(h.arg, 10, 64)
	if err != nil || id < 1 {
		return bake.Rise{}, usagef("history: %q is not the number of a rise; tidemark history list shows them", h.arg)
	}
	r, err := h.store.Rise(ctx, id)
	if err != nil {
		err = fmt.Errorf("%w; tidemark history list shows the numbers", err)
	}
	return r, err
}

// list prints rises, newest first; as JSON one object a line, as in an export.
func (h *historyCall) list(ctx context.Context) error {
	if *h.limit < 1 || *h.limit > 500 {
		return usagef("--limit %d is outside 1 to 500", *h.limit)
	}
	page, err := h.store.Rises(ctx, history.Filter{Vessel: *h.vessel, Limit: *h.limit})
	if err != nil {
		return err
	}
	if *h.json {
		enc := json.NewEncoder(h.out)
		for _, r := range page.Rises {
			if err := enc.Encode(past.Rise(r, h.words.Locale().Zone)); err != nil {
				return err
			}
		}
		return nil
	}
	if len(page.Rises) == 0 {
		fmt.Fprintln(h.out, "No rise fits.")
		return nil
	}
	lines := [][]string{{"No.", "Started", "Vessel", "Holds", "To the mark", "Highest", "Dough", "Result", "Note"}}
	for _, r := range page.Rises {
		lines = append(lines, []string{fmt.Sprint(r.ID), h.words.Date(r.StartedAt) + " " + h.words.Clock(r.StartedAt), r.Vessel, string(r.Holds),
			h.toMark(r), number(r.PeakPercent, 0, "%"), h.degrees(r.MeanDoughC), past.OutcomeWord(r.Outcome, h.words), short(r)})
	}
	err = h.table(lines)
	if page.Next != "" {
		fmt.Fprintf(h.out, "\nThere are older ones: --limit shows more.\n")
	}
	return err
}

// toMark says how long the rise took to its mark.
func (h *historyCall) toMark(r bake.Rise) string {
	switch {
	case !r.ReachedAt.IsZero():
		return h.words.Span(r.ReachedAt.Sub(r.StartedAt))
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

// show prints one rise: what came of it, its facts, what was done and what was forecast.
// Its curve is on the page and in an export.
func (h *historyCall) show(ctx context.Context) error {
	r, err := h.rise(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "%d: %s (%s)\n%s\n\n", r.ID, past.Name(r, h.words), r.Holds, past.Sentence(r, h.words))
	var facts [][]string
	for _, f := range past.Facts(r, h.words) {
		facts = append(facts, []string{f.Name, strings.Join(strings.Fields(f.Value), " ")})
	}
	if err := h.table(facts); err != nil {
		return err
	}
	if err := h.events(ctx, r.ID); err != nil {
		return err
	}
	kept, err := h.store.Forecasts(ctx, r.ID)
	if err != nil {
		return err
	}
	if told := past.Foretold(r, kept, h.words); len(told) > 0 {
		fmt.Fprintln(h.out, "\nWhat was forecast:")
		for _, said := range told {
			fmt.Fprintf(h.out, "  %s\n", said)
		}
	}
	return nil
}

// events prints what people did.
func (h *historyCall) events(ctx context.Context, id int64) error {
	events, err := h.store.Events(ctx, id)
	if err != nil || len(events) == 0 {
		return err
	}
	fmt.Fprintln(h.out, "\nWhat was done:")
	var lines [][]string
	for _, e := range events {
		undone := ""
		if e.Undone() {
			undone = "undone"
		}
		lines = append(lines, []string{"  " + h.words.Clock(e.At), string(e.Kind), e.By, undone})
	}
	return h.table(lines)
}
