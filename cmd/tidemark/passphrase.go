package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/term"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/web/access"
)

// runPassphrase sets the household's passphrase.
func runPassphrase(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "passphrase", "passphrase [--config FILE]")
	configFile := fs.String("config", defaultConfig, "configuration file, for its state_dir")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("passphrase takes no arguments, so that it does not end up in the shell's history; it asks for the passphrase")
	}
	cfg, err := config.Load(*configFile, config.WithoutSensors)
	if err != nil {
		return usageError{err}
	}
	words := wordsOf(cfg)
	phrase, err := askPassphrase(s, words)
	if err != nil {
		return err
	}
	store, err := openState(ctx, cfg.StateDir)
	if err != nil {
		return err
	}
	err = access.SetPassphrase(ctx, store.Settings(), phrase)
	for kind, key := range map[error]string{access.ErrShort: "page.refused.short", access.ErrLong: "page.refused.phrase_long"} {
		if errors.Is(err, kind) {
			err = inWords{err, words.Say(key, text.Values{"n": access.MinPassphrase})}
		}
	}
	if err = errors.Join(err, store.Close(ctx)); err != nil {
		return err
	}
	fmt.Fprintln(s.out, words.Say("passphrase.set", nil))
	if cfg.Web.LocalOnly() {
		fmt.Fprintln(s.out, words.Say("passphrase.local", text.Values{"address": cfg.Web.Listen, "example": `web: {listen: ":8080"}`, "file": *configFile}))
	}
	return nil
}

// openState opens the history beside a running service, or makes it when there
// is none yet.
func openState(ctx context.Context, dir string) (*history.Store, error) {
	path := filepath.Join(dir, historyFile)
	there := exists(path)
	store, err := history.Open(ctx, path, history.Options{Beside: there})
	if err != nil {
		return nil, fmt.Errorf("the settings in %s cannot be opened: %w; run this as the service's user or as root", dir, err)
	}
	if !there {
		err = giveToOwnerOf(dir, path)
	}
	if err != nil {
		return nil, errors.Join(err, store.Close(ctx))
	}
	return store, nil
}

// giveToOwnerOf hands a new history to whom the folder belongs: root makes it,
// the service has to write it.
func giveToOwnerOf(dir, path string) error {
	info, err := os.Stat(dir)
	if err != nil || os.Geteuid() != 0 {
		return err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	files, err := filepath.Glob(path + "*") // the log and the lock beside it
	for _, f := range files {
		err = errors.Join(err, os.Chown(f, int(owner.Uid), int(owner.Gid)))
	}
	return err
}

// askPassphrase asks twice at a terminal, and reads one line from a pipe.
func askPassphrase(s streams, words *text.Localizer) (string, error) {
	if f, ok := s.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return askTwice(s, words, int(f.Fd()))
	}
	line, err := bufio.NewReader(s.in).ReadString('\n')
	if err != nil && line == "" {
		return "", errors.New(words.Say("passphrase.none", nil))
	}
	return strings.TrimRight(line, "\r\n"), nil
}

// askTwice asks without echo and compares.
func askTwice(s streams, words *text.Localizer, fd int) (string, error) {
	fmt.Fprint(s.err, words.Say("passphrase.new", nil)+" ")
	first, err := term.ReadPassword(fd)
	fmt.Fprintln(s.err)
	if err != nil {
		return "", err
	}
	fmt.Fprint(s.err, words.Say("passphrase.again", nil)+" ")
	second, err := term.ReadPassword(fd)
	fmt.Fprintln(s.err)
	if err != nil {
		return "", err
	}
	if string(first) != string(second) {
		return "", errors.New(words.Say("passphrase.differ", nil))
	}
	return string(first), nil
}
