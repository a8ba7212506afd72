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
	"tidemark/bake"
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
	words      *text.Localizer // of the household; English where its configuration is not accepted
}

// runHistory writes, takes back or empties the history as a whole.
func runHistory(ctx context.Context, s streams, args []string) error {
	h := &historyCall{streams: s}
	fs := newFlags(s, "history", historyUsage)
	fs.StringVar(&h.db, "db", "", "the history `file`; found by itself when left out")
	fs.StringVar(&h.config, "config", defaultConfig, "configuration `file` of the service")
	fs.BoolVar(&h.yes, "yes", false, "restore, new: do not ask")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	h.words = text.New(text.Locale{Zone: time.Local})
	if cfg, err := config.Load(h.config, config.WithoutSensors); err == nil {
		h.words = wordsOf(cfg)
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
func findHistory(byHand, configFile string) (path string, how bake.Said, err error) {
	named := func(by string) bake.Said { return bake.Said{Key: "history.named", Values: text.Values{"by": by}} }
	if byHand != "" {
		return byHand, named("--db"), nil
	}
	for _, name := range []string{"TIDEMARK_STATE", "STATE_DIRECTORY"} {
		if dir, _, _ := strings.Cut(os.Getenv(name), ":"); dir != "" { // systemd lists several with colons
			return filepath.Join(dir, historyFile), named(name), nil
		}
	}
	dir, err := config.StateDir(configFile)
	switch {
	case err != nil:
		return "", how, err
	case dir != "":
		return filepath.Join(dir, historyFile), bake.Said{Key: "history.named.state", Values: text.Values{"file": configFile}}, nil
	}
	return filepath.Join(defaultStateDir, historyFile), bake.Said{Key: "history.usual"}, nil
}

// backup writes a copy of the history, beside a running service.
func (h *historyCall) backup(ctx context.Context, file string) error {
	path, how, err := findHistory(h.db, h.config)
	if err != nil {
		return err
	}
	switch _, err := os.Stat(path); {
	case errors.Is(err, fs.ErrPermission):
		return h.fails(err, "history.permission", text.Values{"path": path, "how": how})
	case err != nil:
		return h.fails(err, "history.none", text.Values{"path": path, "how": how})
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
	h.say("history.backup", text.Values{"file": file, "holds": past.Holdings(sum, h.words)})
	h.say("history.secret", nil)
	return nil
}

// say prints a sentence, and fails makes an error of one.
func (h *historyCall) say(key string, v text.Values) { fmt.Fprintln(h.out, h.words.Say(key, v)) }

func (h *historyCall) fails(err error, key string, v text.Values) error {
	return inWords{err, h.words.Say(key, v)}
}

// restore puts a backup in the place of the history, after a check and a question.
func (h *historyCall) restore(ctx context.Context, file string) error {
	sum, err := history.Check(ctx, file)
	if err != nil {
		return err
	}
	h.say("history.sound", text.Values{"file": file, "holds": past.Holdings(sum, h.words)})
	return h.exchange(ctx, "history.restore", "history.restored",
		func(path string) (string, error) { return history.Restore(ctx, file, path, time.Now()) })
}

// fresh begins an empty history, after a question.
func (h *historyCall) fresh(ctx context.Context) error {
	return h.exchange(ctx, "history.new", "history.begun",
		func(path string) (string, error) { return history.New(ctx, path, time.Now()) })
}

// exchange puts another file in the place of the history, after a question.
func (h *historyCall) exchange(ctx context.Context, question, said string, do func(path string) (former string, err error)) error {
	path, _, err := findHistory(h.db, h.config)
	if err != nil {
		return err
	}
	if !h.yes && !newTalk(ctx, h.streams, h.words).confirm(h.words.Say(question, text.Values{"path": path})) {
		return h.fails(errGivenUp, "level.stopped", nil)
	}
	former, err := do(path)
	if errors.Is(err, history.ErrInUse) {
		return h.fails(err, "history.in_use", text.Values{"path": path})
	}
	if err != nil {
		return err
	}
	h.say(said, text.Values{"path": path})
	if former != "" {
		h.say("history.former", text.Values{"file": former})
	}
	return nil
}
