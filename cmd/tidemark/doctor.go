package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// runDoctor prints a report for a bug, without secrets.
func runDoctor(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "doctor", "doctor [--config FILE]")
	configFile := fs.String("config", defaultConfig, "configuration file")
	rest, err := parseFlags(fs, args)
	if err == nil {
		err = noArguments("doctor", rest)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "tidemark %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(s.out, "board: %s\n", firstLine("/proc/device-tree/model"))
	fmt.Fprintf(s.out, "kernel: %s\n", firstLine("/proc/sys/kernel/osrelease"))
	fmt.Fprintf(s.out, "time: %s, set from the network: %v\n\n", time.Now().Format(time.RFC3339), exists("/run/systemd/timesync/synchronized"))
	private := doctorConfig(s.out, *configFile)
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		fmt.Fprintf(s.out, "\nthe configuration is refused:\n%s\n", withoutPrivate(err.Error(), private))
		return nil
	}
	fmt.Fprintf(s.out, "\nthe configuration is accepted: %s, %s\n", count(len(cfg.Vessels), "vessel"), count(len(cfg.Channels), "channel"))
	private = append(private, doctorMeasured(s.out, config.MeasuredFile(cfg.StateDir))...)
	for _, note := range cfg.Notes {
		fmt.Fprintf(s.out, "note: %s\n", withoutPrivate(note, private))
	}
	doctorStore(ctx, s.out, cfg.StateDir)
	return nil
}

// doctorConfig prints the configuration without what may be private and returns
// the words it took out.
func doctorConfig(w io.Writer, path string) (private []string) {
	data, err := os.ReadFile(path)
	if err != nil {
		fmt.Fprintf(w, "configuration: %v\n", err)
		return nil
	}
	clean, private := redact(string(data))
	fmt.Fprintf(w, "configuration %s, without comments and private values:\n%s\n", path, clean)
	return private
}

// doctorMeasured prints the vessels that were measured on the page, which stand over
// the configuration, by the same rules as doctorConfig.
func doctorMeasured(w io.Writer, path string) (private []string) {
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintf(w, "measured vessels: none, there is no %s\n", path)
		return nil
	}
	if err != nil {
		fmt.Fprintf(w, "measured vessels: %v\n", err)
		return nil
	}
	clean, private := redact(string(data), "vessel", "at", "over")
	fmt.Fprintf(w, "measured vessels %s, without comments and private values:\n%s\n", path, clean)
	return private
}

// doctorStore prints how the history is.
func doctorStore(ctx context.Context, w io.Writer, dir string) {
	path := filepath.Join(dir, historyFile)
	info, err := os.Stat(path)
	if err != nil {
		fmt.Fprintf(w, "history: %v\n", err)
		return
	}
	fmt.Fprintf(w, "history: %s, %d kB\n", path, info.Size()/1024)
	store, err := history.Open(ctx, path, history.Options{Guest: true, ReadOnly: true})
	if err != nil {
		fmt.Fprintf(w, "history cannot be opened: %v\n", err)
		return
	}
	defer func() { _ = store.Close(ctx) }() // read only: nothing to lose
	rises, err := store.OpenRises(ctx)
	if err != nil {
		fmt.Fprintf(w, "history cannot be read: %v\n", err)
		return
	}
	for _, r := range rises {
		fmt.Fprintf(w, "under way: vessel %s, rise %d since %s, phase %s\n", r.Vessel, r.ID, r.StartedAt.Format(time.RFC3339), r.Phase)
	}
	health, err := json.Marshal(store.Health())
	if err == nil {
		fmt.Fprintf(w, "health: %s\n", health)
	}
}

// firstLine reads the first line of a small file.
func firstLine(path string) string {
	data, err := os.ReadFile(path)
	if err != nil {
		return "not known"
	}
	line, _, _ := strings.Cut(strings.TrimRight(string(data), "\x00\n"), "\n")
	return line
}

// exists reports whether a file is there.
func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
