package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/lookback"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
	"tidemark/web/past"
)

const historyUsage = `history list | show NO | compare NO NO... | vigour [--vessel NAME] |
       export NO [--csv | --record | --json] [--out FILE] | backup FILE | restore FILE [--yes] |
       new [--yes] | import RECORD.csv --vessel NAME [--holds dough|starter]`

// historyFlags are the options of tidemark history.
type historyFlags struct {
	db, config, vessel, from, until, outcome, text, out, holds *string
	limit                                                      *int
	json, csv, record, yes                                     *bool
}

// addHistoryFlags declares the options.
func addHistoryFlags(fs *flag.FlagSet) historyFlags {
	return historyFlags{
		db:      fs.String("db", "", "the history `file`; found by itself when left out"),
		config:  fs.String("config", defaultConfig, "configuration `file` of the service"),
		vessel:  fs.String("vessel", "", "list, vigour: only this vessel; import: the vessel of the record"),
		from:    fs.String("from", "", "list: started on this `day` (2006-01-02) or later"),
		until:   fs.String("until", "", "list: started before this `day`"),
		outcome: fs.String("outcome", "", "list: under, right, over or none"),
		text:    fs.String("text", "", "list: part of the vessel's name, note or oven spring"),
		limit:   fs.Int("limit", 30, "list: at most so many, 1 to 500"),
		out:     fs.String("out", "", "export: write to this `file`"),
		holds:   fs.String("holds", "", "import: dough or starter; from the configuration when left out"),
		json:    fs.Bool("json", false, "list, export: JSON"),
		csv:     fs.Bool("csv", false, "export: all that is stored as CSV (this is the default)"),
		record:  fs.Bool("record", false, "export: a record that replay and import read"),
		yes:     fs.Bool("yes", false, "restore, new: do not ask"),
	}
}

// runHistory looks back at past rises.
func runHistory(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "history", historyUsage)
	f := addHistoryFlags(fs)
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) == 0 {
		return usagef("history needs a word: list, show, compare, vigour, export, backup, restore, new or import; run tidemark history -h")
	}
	word, rest := rest[0], rest[1:]
	switch word {
	case "restore":
		return f.restore(ctx, s, rest)
	case "new":
		return f.fresh(ctx, s, rest)
	}
	verbs := map[string]func(ctx context.Context, p lookback.Printer, rest []string) error{
		"list": f.list, "show": f.show, "compare": f.compare, "vigour": f.vigour,
		"export": f.export, "backup": f.backup, "import": f.importRecord,
	}
	verb := verbs[word]
	if verb == nil {
		return usagef("history: %q is not known; use list, show, compare, vigour, export, backup, restore, new or import", word)
	}
	place, err := lookback.Find(*f.db, *f.config, os.Getenv, false)
	if err != nil {
		return err
	}
	store, err := history.Open(ctx, place.Path, history.Options{Beside: true, ReadOnly: word != "import"})
	if err != nil {
		return err
	}
	p := lookback.Printer{Out: s.out, Store: store, Words: f.words()}
	return errors.Join(verb(ctx, p, rest), store.Close(context.WithoutCancel(ctx)))
}

// words are English, with times and temperatures as the household writes them; the
// machine's zone when the configuration does not say or cannot be read.
func (f historyFlags) words() *text.Localizer {
	h := text.Locale{Zone: time.Local}
	if cfg, err := config.Load(*f.config, config.WithoutSensors); err == nil {
		h.Clock12, h.Fahrenheit = cfg.Household.TwelveHour, cfg.Household.Fahrenheit
		if cfg.Household.Zone != nil {
			h.Zone = cfg.Household.Zone
		}
	}
	return text.New(h)
}

// none refuses arguments where none belong.
func none(word string, rest []string) error {
	if len(rest) > 0 {
		return usagef("history %s takes no %q", word, rest[0])
	}
	return nil
}

// riseNumbers reads the numbers of rises.
func riseNumbers(word string, rest []string, least, most int) ([]int64, error) {
	if len(rest) < least || len(rest) > most {
		want := "one number"
		if most > 1 {
			want = fmt.Sprintf("%d to %d numbers", least, most)
		}
		return nil, usagef("history %s needs %s of rises, found %d; tidemark history list shows them", word, want, len(rest))
	}
	var out []int64
	for _, a := range rest {
		id, err := strconv.ParseInt(a, 10, 64)
		if err != nil || id < 1 {
			return nil, usagef("history %s: %q is not the number of a rise; tidemark history list shows them", word, a)
		}
		out = append(out, id)
	}
	return out, nil
}

// day reads a day in the household's zone.
func day(name, text string, zone *time.Location) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		return time.Time{}, usagef("--%s: %q is not a day; write it like 2026-03-14", name, text)
	}
	return t, nil
}

func (f historyFlags) list(ctx context.Context, p lookback.Printer, rest []string) error {
	if err := none("list", rest); err != nil {
		return err
	}
	from, err := day("from", *f.from, p.Words.Locale().Zone)
	if err != nil {
		return err
	}
	until, err := day("until", *f.until, p.Words.Locale().Zone)
	if err != nil {
		return err
	}
	if *f.limit < 1 || *f.limit > 500 {
		return usagef("--limit %d is outside 1 to 500", *f.limit)
	}
	return p.List(ctx, history.Filter{Vessel: *f.vessel, From: from, Until: until, Outcome: *f.outcome, Text: *f.text, Limit: *f.limit}, *f.json)
}

func (f historyFlags) show(ctx context.Context, p lookback.Printer, rest []string) error {
	ids, err := riseNumbers("show", rest, 1, 1)
	if err != nil {
		return err
	}
	return p.Show(ctx, ids[0])
}

func (f historyFlags) compare(ctx context.Context, p lookback.Printer, rest []string) error {
	ids, err := riseNumbers("compare", rest, 2, 12)
	if err != nil {
		return err
	}
	return p.Compare(ctx, ids)
}

func (f historyFlags) vigour(ctx context.Context, p lookback.Printer, rest []string) error {
	if err := none("vigour", rest); err != nil {
		return err
	}
	return p.Vigour(ctx, *f.vessel)
}

func (f historyFlags) export(ctx context.Context, p lookback.Printer, rest []string) error {
	ids, err := riseNumbers("export", rest, 1, 1)
	if err != nil {
		return err
	}
	format, chosen := lookback.CSV, 0
	for _, c := range []struct {
		on     bool
		format lookback.Format
	}{{*f.csv, lookback.CSV}, {*f.record, lookback.Record}, {*f.json, lookback.JSON}} {
		if c.on {
			format = c.format
			chosen++
		}
	}
	if chosen > 1 {
		return usagef("history export: --csv, --record and --json exclude each other")
	}
	if *f.out == "" {
		return p.Export(ctx, ids[0], format, p.Out)
	}
	return lookback.ToFile(*f.out, func(w io.Writer) error { return p.Export(ctx, ids[0], format, w) })
}

func (f historyFlags) backup(ctx context.Context, p lookback.Printer, rest []string) error {
	if len(rest) != 1 {
		return usagef("history backup needs one FILE to write")
	}
	if err := p.Store.Backup(ctx, rest[0]); err != nil {
		return err
	}
	sum, err := history.Check(ctx, rest[0])
	if err != nil {
		return err
	}
	fmt.Fprintf(p.Out, "Backup written to %s and checked: %s.\n", rest[0], past.Holdings(sum, p.Words))
	fmt.Fprintln(p.Out, "It holds everything, sessions and the passphrase's hash too: keep it to yourself.")
	return nil
}

// restore puts a backup in the place of the history, after a check and a question.
func (f historyFlags) restore(ctx context.Context, s streams, rest []string) error {
	if len(rest) != 1 {
		return usagef("history restore needs one FILE to read")
	}
	place, err := lookback.Find(*f.db, *f.config, os.Getenv, true)
	if err != nil {
		return err
	}
	sum, err := history.Check(ctx, rest[0])
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s is sound: %s.\n", rest[0], past.Holdings(sum, f.words()))
	if !*f.yes && !newTalk(ctx, s).confirm("Put it in the place of %s? What is there now is kept beside it.", place.Path) {
		return errors.New("nothing was changed")
	}
	former, err := history.Restore(ctx, rest[0], place.Path, time.Now())
	return exchanged(s, "Restored to "+place.Path, former, err)
}

// exchanged says that another file is in the place of the history.
func exchanged(s streams, what, former string, err error) error {
	if errors.Is(err, history.ErrInUse) {
		return fmt.Errorf("%w: sudo systemctl stop tidemark", err)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s.\n", what)
	if former != "" {
		fmt.Fprintf(s.out, "The history from before is kept as %s.\n", former)
	}
	return nil
}

// fresh begins an empty history, after a question.
func (f historyFlags) fresh(ctx context.Context, s streams, rest []string) error {
	if err := none("new", rest); err != nil {
		return err
	}
	place, err := lookback.Find(*f.db, *f.config, os.Getenv, true)
	if err != nil {
		return err
	}
	if !*f.yes && !newTalk(ctx, s).confirm("Begin an empty history in the place of %s? What is there now, passphrase and settings too, is kept beside it.", place.Path) {
		return errors.New("nothing was changed")
	}
	former, err := history.New(ctx, place.Path, time.Now())
	return exchanged(s, "An empty history is in "+place.Path, former, err)
}

func (f historyFlags) importRecord(ctx context.Context, p lookback.Printer, rest []string) error {
	if len(rest) != 1 || *f.vessel == "" {
		return usagef("history import needs one RECORD.csv and --vessel NAME")
	}
	in := lookback.Import{File: rest[0], Vessel: *f.vessel, Holds: estimator.Holds(*f.holds)}
	known, err := f.describeVessel(&in)
	if err != nil {
		return err
	}
	switch in.Holds {
	case estimator.Dough, estimator.Starter:
	case "":
		return usagef("history import: say with --holds whether %s holds dough or starter; %s does not describe it", *f.vessel, *f.config)
	default:
		return usagef("--holds %q is neither dough nor starter", *f.holds)
	}
	id, err := in.Into(ctx, p.Store)
	var wrong *record.Error
	if errors.As(err, &wrong) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(p.Out, "%s is now rise %d.\n", filepath.Base(rest[0]), id)
	if !known {
		fmt.Fprintf(p.Out, "Only its readings are kept: %s does not describe the vessel %s, so the rise in percent is not known.\n", *f.config, *f.vessel)
	}
	return nil
}

// describeVessel takes the vessel's shape from the configuration, if it is there.
func (f historyFlags) describeVessel(in *lookback.Import) (bool, error) {
	cfg, err := config.Load(*f.config, config.WithoutSensors)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, usageError{err}
	}
	v, err := cfg.Vessel(in.Vessel)
	if err != nil {
		return false, nil //nolint:nilerr // a vessel of former times is fine
	}
	if in.Holds == "" {
		in.Holds = v.Holds
	}
	c := app.EstimatorForImport(v, in.Holds)
	in.Estimator = &c
	return true, nil
}
