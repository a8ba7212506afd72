package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
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
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("doctor takes no arguments, found %q", rest[0])
	}
	fmt.Fprintf(s.out, "tidemark %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(s.out, "board: %s\n", firstLine("/proc/device-tree/model"))
	fmt.Fprintf(s.out, "kernel: %s\n", firstLine("/proc/sys/kernel/osrelease"))
	fmt.Fprintf(s.out, "time: %s, set from the network: %v\n\n", time.Now().Format(time.RFC3339), exists("/run/systemd/timesync/synchronized"))
	doctorConfig(s.out, *configFile)
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		fmt.Fprintf(s.out, "\nthe configuration is refused:\n%v\n", err)
		return nil
	}
	fmt.Fprintf(s.out, "\nthe configuration is accepted: %d vessels, %d channels\n", len(cfg.Vessels), len(cfg.Channels))
	doctorStore(ctx, s.out, cfg.StateDir)
	return nil
}

// doctorConfig prints the configuration with secrets taken out.
func doctorConfig(w io.Writer, path string) {
	data, err := os.ReadFile(path)
	if err != nil {
		fmt.Fprintf(w, "configuration: %v\n", err)
		return
	}
	fmt.Fprintf(w, "configuration %s, secrets removed:\n%s\n", path, redact(string(data)))
}

// secretKey finds the keys whose values nobody else may see. Files that hold
// secrets are named only, so their names may stay.
func secretKey() *regexp.Regexp {
	return regexp.MustCompile(`(?m)\b((?:token|topic|password|sign_key|user|heartbeat_url|url|broker|to|from|host):[ \t]*)("[^"\n]*"|'[^'\n]*'|\[[^\]\n]*\]|[^\s,}#][^,}\n#]*)`)
}

// redact takes the values of secret keys out of YAML text.
func redact(text string) string { return secretKey().ReplaceAllString(text, "$1(removed)") }

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
	defer store.Close(ctx)
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
