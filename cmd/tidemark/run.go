package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"syscall"

	systemd "github.com/coreos/go-systemd/v22/daemon"

	"tidemark/alert/channel"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// defaultConfig is where the package puts the configuration.
const defaultConfig = "/etc/tidemark/tidemark.yaml"

// historyFile is the name of the history within the state directory.
const historyFile = "tidemark.db"

// heapGrowth trades a little processor time for memory: the heap is a few
// megabytes, and a small Pi has little to spare.
const heapGrowth = 30

// backupDir holds the backups of the history, within the state directory.
const backupDir = "backups"

// runRun is the live daemon.
func runRun(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "run", "run --config FILE")
	configFile := fs.String("config", defaultConfig, "configuration file")
	err := parseNone(fs, args)
	if err != nil {
		return err
	}
	debug.SetGCPercent(heapGrowth)
	for err = errRestart; errors.Is(err, errRestart); {
		err = runOnce(ctx, s, *configFile)
	}
	return err
}

// errRestart ends the watch so that it begins again, with a restored history.
var errRestart = errors.New("the watch restarts")

// runOnce watches until ctx ends or a restart is asked for.
func runOnce(ctx context.Context, s streams, configFile string) (err error) {
	cfg, err := config.Load(configFile, config.Sensors)
	if err != nil {
		return usageError{err}
	}
	log := slog.New(slog.NewTextHandler(s.err, nil))
	routes, err := channel.Routes(cfg.Channels, channel.Env{Version: version(), Household: app.LocaleOf(cfg), Log: log})
	if err != nil {
		return usageError{err}
	}
	backups := filepath.Join(cfg.StateDir, backupDir)
	store, err := history.Open(ctx, filepath.Join(cfg.StateDir, historyFile), history.Options{Log: log, Backups: backups})
	if err != nil {
		return fmt.Errorf("the history in %s cannot be opened: %w", cfg.StateDir, err)
	}
	defer func() {
		if closed := store.Close(context.WithoutCancel(ctx)); closed != nil {
			log.Error("the history was not closed in order", "error", closed)
			err = errors.Join(err, closed)
		}
	}()
	for _, note := range store.Opened().Notes {
		log.Warn(note)
	}
	warn(log, cfg)
	a, err := app.New(app.Options{Routes: routes, Version: version(), Config: cfg, Clock: app.NewSteady(), Store: store, Backups: backups, Log: log, Live: true, Listen: cfg.Web.Listen})
	if err == nil {
		err = a.Start(ctx)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Stop(context.WithoutCancel(ctx))) }()
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP) // before anybody is told that this is ready
	defer signal.Stop(hup)
	status := fmt.Sprintf("watching %s, page at %s://%s", count(len(cfg.Vessels), "vessel"), cfg.Web.Scheme(), a.Address())
	fmt.Fprintln(s.out, "tidemark:", status)
	if note := a.SetupNote(); note != "" {
		fmt.Fprintln(s.out, "tidemark:", note)
	}
	_, _ = systemd.SdNotify(false, systemd.SdNotifyReady+"\nSTATUS="+status) // no service manager listens on a bare machine
	err = untilTheEnd(ctx, a, hup, cfg.File, log)
	if !errors.Is(err, errRestart) { // the service goes on then: one that stops is ended after a while
		_, _ = systemd.SdNotify(false, systemd.SdNotifyStopping)
	}
	return err
}

// untilTheEnd waits for the end of ctx or of a part that should not end, and
// reads the configuration anew at every SIGHUP.
func untilTheEnd(ctx context.Context, a *app.App, hup <-chan os.Signal, file string, log *slog.Logger) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-a.Failed():
			return err
		case <-a.Restart():
			log.Info("the watch begins anew")
			return errRestart
		case <-hup:
			if reload(a, file, log) {
				return errRestart
			}
		}
	}
}

// reload takes a changed configuration over and reports whether the watch has to begin
// anew for it. A file that is refused changes nothing.
func reload(a *app.App, file string, log *slog.Logger) (restart bool) {
	fresh, err := config.Load(file, config.Sensors)
	if err != nil {
		log.Error("the new configuration is refused; the old one stays", "error", err)
		return false
	}
	warn(log, fresh)
	restart = a.Reload(fresh)
	log.Info("the configuration is taken over", "anew", restart)
	return restart
}

// warn logs what should be known of a configuration.
func warn(log *slog.Logger, cfg *config.Config) {
	for _, note := range cfg.Notes {
		log.Warn(wordsOf(cfg).Tell(note))
	}
}
