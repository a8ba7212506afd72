package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/sensor"
)

// printReport prints what helps with a fault and may be shown to anybody: of the
// configuration which kinds of things it holds and where it is wrong, and none of its
// words.
func printReport(ctx context.Context, w io.Writer, configFile string) {
	fmt.Fprintf(w, "tidemark %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(w, "board: %s\n", firstLine("/proc/device-tree/model"))
	fmt.Fprintf(w, "kernel: %s\n", firstLine("/proc/sys/kernel/osrelease"))
	fmt.Fprintf(w, "time: %s, set from the network: %v\n", time.Now().Format(time.RFC3339), exists("/run/systemd/timesync/synchronized"))
	cfg, err := config.Load(configFile, config.Sensors)
	var wrong config.Problems
	switch {
	case errors.As(err, &wrong):
		fmt.Fprintln(w, "the configuration is refused:")
		for _, p := range wrong {
			fmt.Fprintf(w, "  line %d, column %d: %s %s\n", p.Line, p.Col, p.Path, p.Said.Key)
		}
		return
	case err != nil:
		fmt.Fprintln(w, err)
		return
	}
	fmt.Fprintf(w, "the configuration is accepted: %s, %s, read every %s\n", count(len(cfg.Vessels), "vessel"), count(len(cfg.Channels), "channel"), cfg.SampleEvery)
	for i, v := range cfg.Vessels {
		line := fmt.Sprintf("vessel %d: %s, floor %g mm", i+1, v.Holds, v.FloorMM)
		for _, s := range v.Sensors() {
			line += fmt.Sprintf(", %s %s", s.Role, sensor.KindOf(s.Config))
		}
		fmt.Fprintln(w, line)
	}
	for i, c := range cfg.Channels {
		fmt.Fprintf(w, "channel %d: %s\n", i+1, c.Kind)
	}
	if err := reportHistory(ctx, w, filepath.Join(cfg.StateDir, historyFile)); err != nil {
		fmt.Fprintf(w, "history: %v\n", err)
	}
}

// reportHistory prints how the history is.
func reportHistory(ctx context.Context, w io.Writer, path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "history: %d kB\n", info.Size()/1024)
	store, err := history.Open(ctx, path, history.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	rises, err := store.OpenRises(ctx)
	for _, r := range rises {
		fmt.Fprintf(w, "under way: rise %d since %s, phase %s\n", r.ID, r.StartedAt.Format(time.RFC3339), r.Phase)
	}
	health, _ := json.Marshal(store.Health()) // numbers and times
	fmt.Fprintf(w, "health: %s\n", health)
	return errors.Join(err, store.Close(ctx))
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
