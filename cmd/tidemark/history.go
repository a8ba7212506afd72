package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/web/past"
)

const historyUsage = `history backup FILE | restore FILE [--yes] | new [--yes]

Looking at past rises, exporting and importing them is on the page.`

// defaultStateDir is where the packaged service keeps its state.
const defaultStateDir = "/var/lib/tidemark"

// historyCall is one call of tidemark history.
type historyCall struct {
	streams
	db, config string
	yes        bool
	words      *text.Localizer // English, as all that the command prints
}

// runHistory writes, takes back or empties the history as a whole.
func runHistory(ctx context.Context, s streams, args []string) error {
	h := &historyCall{streams: s, words: text.New(text.Locale{Zone: time.Local})}
	fs := newFlags(s, "history", historyUsage)
	fs.StringVar(&h.db, "db", "", "the history `file`; found by itself when left out")
	fs.StringVar(&h.config, "config", defaultConfig, "configuration `file` of the service")
	fs.BoolVar(&h.yes, "yes", false, "restore, new: do not ask")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	switch word := strings.Join(rest[:min(1, len(rest))], ""); {
	case word == "backup" && len(rest) == 2:
		return h.backup(ctx, rest[1])
	case word == "restore" && len(rest) == 2:
		return h.restore(ctx, rest[1])
	case word == "new" && len(rest) == 1:
		return h.fresh(ctx)
	}
	return usagef("history: %q is not known; write backup FILE, restore FILE or new", strings.Join(rest, " "))
}

// findHistory returns where the service's history is, and how that was found. It asks in
// this order: the file named by hand, TIDEMARK_STATE, systemd's STATE_DIRECTORY,
// state_dir of the configuration, /var/lib/tidemark.
func findHistory(byHand, configFile string) (path, how string, err error) {
	if byHand != "" {
		return byHand, "named by --db", nil
	}
	for _, name := range []string{"TIDEMARK_STATE", "STATE_DIRECTORY"} {
		if dir, _, _ := strings.Cut(os.Getenv(name), ":"); dir != "" { // systemd lists several with colons
			return filepath.Join(dir, historyFile), "named by " + name, nil
		}
	}
	dir, err := config.StateDir(configFile)
	switch {
	case err != nil:
		return "", "", fmt.Errorf("%w; name the history with --db FILE", err)
	case dir != "":
		return filepath.Join(dir, historyFile), "named by state_dir in " + configFile, nil
	}
	return filepath.Join(defaultStateDir, historyFile), "the usual place", nil
}

// backup writes a copy of the history, beside a running service.
func (h *historyCall) backup(ctx context.Context, file string) error {
	path, how, err := findHistory(h.db, h.config)
	if err != nil {
		return err
	}
	switch _, err := os.Stat(path); {
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("no permission to read %s (%s); run it with sudo, or as the user of the service", path, how)
	case err != nil:
		return fmt.Errorf("there is no history at %s (%s); name it with --db FILE", path, how)
	}
	store, err := history.Open(ctx, path, history.Options{Beside: true, ReadOnly: true})
	if err != nil {
		return err
	}
	if err := errors.Join(store.Backup(ctx, file), store.Close(context.WithoutCancel(ctx))); err != nil {
		return err
	}
	sum, err := history.Check(ctx, file)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "Backup written to %s and checked: %s.\n", file, past.Holdings(sum, h.words))
	fmt.Fprintln(h.out, "It holds everything, sessions and the passphrase's hash too: keep it to yourself.")
	return nil
}

// restore puts a backup in the place of the history, after a check and a question.
func (h *historyCall) restore(ctx context.Context, file string) error {
	sum, err := history.Check(ctx, file)
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, "%s is sound: %s.\n", file, past.Holdings(sum, h.words))
	return h.exchange(ctx, "Put it in the place of %s? What is there now is kept beside it.", "Restored to %s.\n",
		func(path string) (string, error) { return history.Restore(ctx, file, path, time.Now()) })
}

// fresh begins an empty history, after a question.
func (h *historyCall) fresh(ctx context.Context) error {
	return h.exchange(ctx, "Begin an empty history in the place of %s? What is there now, passphrase and settings too, is kept beside it.", "An empty history is in %s.\n",
		func(path string) (string, error) { return history.New(ctx, path, time.Now()) })
}

// exchange puts another file in the place of the history, after a question.
func (h *historyCall) exchange(ctx context.Context, question, said string, do func(path string) (former string, err error)) error {
	path, _, err := findHistory(h.db, h.config)
	if err != nil {
		return err
	}
	if !h.yes && !newTalk(ctx, h.streams, h.words).confirm(fmt.Sprintf(question, path)) {
		return errors.New("nothing was changed")
	}
	former, err := do(path)
	if errors.Is(err, history.ErrInUse) {
		return fmt.Errorf("%w: sudo systemctl stop tidemark", err)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(h.out, said, path)
	if former != "" {
		fmt.Fprintf(h.out, "The history from before is kept as %s.\n", former)
	}
	return nil
}
