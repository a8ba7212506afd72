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

	"github.com/goccy/go-yaml"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// runDoctor prints a report for a bug, without secrets.
func runDoctor(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "doctor", "doctor [--config FILE]")
	configFile := fs.String("config", defaultConfig, "configuration file")
	if err := parseNone(fs, args); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "tidemark %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(s.out, "board: %s\n", firstLine("/proc/device-tree/model"))
	fmt.Fprintf(s.out, "kernel: %s\n", firstLine("/proc/sys/kernel/osrelease"))
	fmt.Fprintf(s.out, "time: %s, set from the network: %v\n\n", time.Now().Format(time.RFC3339), exists("/run/systemd/timesync/synchronized"))
	private := doctorConfig(s.out, *configFile)
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		fmt.Fprintf(s.out, "\nthe configuration is refused:\n%s\n", withoutPrivate(err, private))
		return nil
	}
	fmt.Fprintf(s.out, "\nthe configuration is accepted: %s, %s\n", count(len(cfg.Vessels), "vessel"), count(len(cfg.Channels), "channel"))
	for _, note := range cfg.Notes {
		fmt.Fprintf(s.out, "note: %s\n", withoutPrivate(errors.New(note), private))
	}
	doctorStore(ctx, s.out, cfg.StateDir)
	return nil
}

// doctorConfig prints the configuration without what may be private and returns
// the words it took out; nil when the file cannot be taken apart.
func doctorConfig(w io.Writer, path string) []string {
	data, err := os.ReadFile(path)
	if err != nil {
		fmt.Fprintf(w, "configuration: %v\n", err)
		return []string{}
	}
	clean, private, err := redact(data)
	if err != nil {
		fmt.Fprintf(w, "configuration %s: it is no YAML, so nothing of it is shown\n", path)
		return nil
	}
	fmt.Fprintf(w, "configuration %s, without comments and private values:\n%s\n", path, clean)
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
	store, err := history.Open(ctx, path, history.Options{ReadOnly: true})
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

// removed stands in the place of what nobody else may see.
const removed = "(removed)"

// shownKeys lists the keys whose values say nothing private. Whatever stands
// under another key, a misspelt one as well, is taken out of a report.
func shownKeys() map[string]bool {
	keys := map[string]bool{}
	for _, k := range strings.Fields(`
		name time_zone clock temperature language quiet_from quiet_until state_dir sysfs sample_every
		listen metrics_listen open_reading
		holds floor_mm profile shape diameter_mm bottom_diameter_mm top_diameter_mm rim_diameter_mm
		bottom_mm top_mm height_mm depth_mm target_percent target_by_dough_c lead lost_after
		kind id device channel bus address mux port xshut power roi budget trigger echo pings
		co2_ratio air_c format baud unit stale_after min_mm max_mm offset_mm offset_c
		only from_level timeout no_picture tls
		grams whole water_g hydration_percent salt_g loaves`) {
		keys[k] = true
	}
	return keys
}

// redact returns YAML without comments and with every value that may be private
// taken out. It also returns the words it took out, for what else is printed.
func redact(text []byte) (clean string, private []string, err error) {
	defer func() {
		if r := recover(); r != nil { // of the YAML library
			clean, err = "", fmt.Errorf("%v", r)
		}
	}()
	var all any
	if err := yaml.UnmarshalWithOptions(text, &all, yaml.UseOrderedMap()); err != nil {
		return "", nil, err
	}
	shown := shownKeys()
	private = []string{}
	var hide func(key string, v any) any
	hide = func(key string, v any) any {
		switch v := v.(type) {
		case yaml.MapSlice:
			for i, item := range v {
				v[i].Value = hide(fmt.Sprint(item.Key), item.Value)
			}
			return v
		case []any:
			for i := range v {
				v[i] = hide(key, v[i])
			}
			return v
		}
		if v == nil || shown[key] {
			return v
		}
		private = append(private, fmt.Sprint(v))
		return removed
	}
	out, err := yaml.Marshal(hide("", all))
	return string(out), private, err
}

// shortestPrivate is the shortest word that is looked for in other texts; a
// shorter one would take half of every sentence with it.
const shortestPrivate = 4

// withoutPrivate takes private words out of what may quote the configuration. Where
// they are not known it leaves the place alone.
func withoutPrivate(err error, private []string) string {
	var ps config.Problems
	if private == nil && errors.As(err, &ps) {
		return fmt.Sprintf("line %d, column %d", ps[0].Line, ps[0].Col)
	}
	text := err.Error()
	for _, w := range private {
		for _, line := range append(strings.Split(w, "\n"), w) {
			if line = strings.TrimSpace(line); len(line) >= shortestPrivate {
				text = strings.ReplaceAll(text, line, removed)
			}
		}
	}
	return text
}
