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
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/sensor/record"
	"tidemark/web/past"
)

const historyUsage = `history list | show NO | export NO [--json] |
       import RECORD.csv --vessel NAME [--holds dough|starter] |
       backup FILE | restore FILE [--yes] | new [--yes]`

// historyCall is one call of tidemark history.
type historyCall struct {
	db, config, vessel, holds *string
	limit                     *int
	json, yes                 *bool
	s                         streams
	arg                       string // what stands behind the word

	out   io.Writer
	store *history.Store  // nil when the word is about the file as a whole
	words *text.Localizer // in English, as all that the command prints
}

// historyFlags declares the options.
func historyFlags(fs *flag.FlagSet, s streams) *historyCall {
	return &historyCall{s: s,
		db:     fs.String("db", "", "the history `file`; found by itself when left out"),
		config: fs.String("config", defaultConfig, "configuration `file` of the service"),
		vessel: fs.String("vessel", "", "list: only this vessel; import: the vessel of the record"),
		limit:  fs.Int("limit", 30, "list: at most so many, 1 to 500"),
		holds:  fs.String("holds", "", "import: dough or starter; from the configuration when left out"),
		json:   fs.Bool("json", false, "list, export: JSON"),
		yes:    fs.Bool("yes", false, "restore, new: do not ask"),
	}
}

// historyWord is a word after history.
type historyWord struct {
	takes string // what has to stand behind it; empty for nothing
	whole bool   // it exchanges the file as a whole
	run   func(h *historyCall, ctx context.Context) error
}

// historyWords is the table of the words.
func historyWords() map[string]historyWord {
	return map[string]historyWord{
		"list":    {"", false, (*historyCall).list},
		"show":    {"one number of a rise", false, (*historyCall).show},
		"export":  {"one number of a rise", false, (*historyCall).export},
		"backup":  {"one FILE to write", false, (*historyCall).backup},
		"import":  {"one RECORD.csv and --vessel NAME", false, (*historyCall).importRecord},
		"restore": {"one FILE to read", true, (*historyCall).restore},
		"new":     {"", true, (*historyCall).fresh},
	}
}

// runHistory looks back at past rises.
func runHistory(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "history", historyUsage)
	h := historyFlags(fs, s)
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) == 0 {
		return usagef("history needs a word: list, show, export, import, backup, restore or new; run tidemark history -h")
	}
	word, known := historyWords()[rest[0]]
	switch n := len(rest) - 1; {
	case !known:
		return usagef("history: %q is not known; use list, show, export, import, backup, restore or new", rest[0])
	case word.takes == "" && n > 0:
		return usagef("history %s takes no %q", rest[0], rest[1])
	case word.takes != "" && n != 1:
		return usagef("history %s needs %s, found %d", rest[0], word.takes, n)
	case n == 1:
		h.arg = rest[1]
	}
	h.out, h.words = s.out, h.english()
	if word.whole {
		return word.run(h, ctx)
	}
	place, err := findHistory(*h.db, *h.config, os.Getenv, false)
	if err != nil {
		return err
	}
	h.store, err = history.Open(ctx, place.Path, history.Options{Beside: true, ReadOnly: rest[0] != "import"})
	if err != nil {
		return err
	}
	return errors.Join(word.run(h, ctx), h.store.Close(context.WithoutCancel(ctx)))
}

// english returns the words, with times and temperatures as the household writes them; the
// machine's zone when the configuration does not say or cannot be read.
func (h *historyCall) english() *text.Localizer {
	l := text.Locale{Zone: time.Local}
	if cfg, err := config.Load(*h.config, config.WithoutSensors); err == nil {
		l = app.LocaleOf(cfg)
		l.Language = ""
	}
	return text.New(l)
}

func (h *historyCall) backup(ctx context.Context) error {
	if err := h.store.Backup(ctx, h.arg); err != nil {
		return err
	}
	sum, err := history.Check(ctx, h.arg)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "Backup written to %s and checked: %s.\n", h.arg, past.Holdings(sum, h.words))
	fmt.Fprintln(h.out, "It holds everything, sessions and the passphrase's hash too: keep it to yourself.")
	return nil
}

// restore puts a backup in the place of the history, after a check and a question.
func (h *historyCall) restore(ctx context.Context) error {
	sum, err := history.Check(ctx, h.arg)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "%s is sound: %s.\n", h.arg, past.Holdings(sum, h.words))
	return h.exchange(ctx, "Put it in the place of %s? What is there now is kept beside it.", "Restored to %s.\n",
		func(path string) (string, error) { return history.Restore(ctx, h.arg, path, time.Now()) })
}

// fresh begins an empty history, after a question.
func (h *historyCall) fresh(ctx context.Context) error {
	return h.exchange(ctx, "Begin an empty history in the place of %s? What is there now, passphrase and settings too, is kept beside it.", "An empty history is in %s.\n",
		func(path string) (string, error) { return history.New(ctx, path, time.Now()) })
}

// exchange puts another file in the place of the history, after a question.
func (h *historyCall) exchange(ctx context.Context, question, said string, do func(path string) (former string, err error)) error {
	place, err := findHistory(*h.db, *h.config, os.Getenv, true)
	if err != nil {
		return err
	}
	if !*h.yes && !newTalk(ctx, h.s).confirm(question, place.Path) {
		return errors.New("nothing was changed")
	}
	former, err := do(place.Path)
	if errors.Is(err, history.ErrInUse) {
		return fmt.Errorf("%w: sudo systemctl stop tidemark", err)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, said, place.Path)
	if former != "" {
		fmt.Fprintf(h.out, "The history from before is kept as %s.\n", former)
	}
	return nil
}

func (h *historyCall) importRecord(ctx context.Context) error {
	in := app.Import{File: h.arg, Vessel: *h.vessel, Holds: estimator.Holds(*h.holds)}
	if in.Vessel == "" {
		return usagef("history import needs --vessel NAME as well")
	}
	if err := h.describeVessel(&in); err != nil {
		return err
	}
	switch in.Holds {
	case estimator.Dough, estimator.Starter:
	case "":
		return usagef("history import: say with --holds whether %s holds dough or starter; %s does not describe it", in.Vessel, *h.config)
	default:
		return usagef("--holds %q is neither dough nor starter", *h.holds)
	}
	id, err := in.Into(ctx, h.store)
	var wrong *record.Error
	if errors.As(err, &wrong) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "%s is now rise %d.\n", filepath.Base(h.arg), id)
	if in.Config == nil {
		fmt.Fprintf(h.out, "Only its readings are kept: %s does not describe the vessel %s, so the rise in percent is not known.\n", *h.config, in.Vessel)
	}
	return nil
}

// describeVessel takes the vessel's shape from the configuration, if it is there.
func (h *historyCall) describeVessel(in *app.Import) error {
	cfg, err := config.Load(*h.config, config.WithoutSensors)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return usageError{err}
	}
	if v, err := cfg.Vessel(in.Vessel); err == nil { // else one of former times
		if in.Holds == "" {
			in.Holds = v.Holds
		}
		in.Config = &v
	}
	return nil
}
