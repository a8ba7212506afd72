package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/token"

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
		fmt.Fprintf(s.out, "\nthe configuration is refused:\n%s\n", withoutPrivate(err.Error(), private))
		return nil
	}
	fmt.Fprintf(s.out, "\nthe configuration is accepted: %s, %s\n", count(len(cfg.Vessels), "vessel"), count(len(cfg.Channels), "channel"))
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

// redact returns YAML text with comments and every value that may be private
// taken out. It also returns the words it took out, for what else is printed.
func redact(text string) (clean string, private []string) {
	shown := shownKeys()
	key := ""
	var out strings.Builder
	for _, t := range lexer.Tokenize(text) {
		switch {
		case t.Type == token.CommentType:
			out.WriteString(strings.Replace(t.Origin, "#"+t.Value, "", 1))
			continue
		case !isScalar(t):
		case isKey(t):
			key = t.Value
		case !shown[key]:
			out.WriteString(replaceScalar(t))
			private = append(private, t.Value)
			continue
		}
		out.WriteString(t.Origin)
	}
	return withoutBlankLines(out.String()), private
}

// withoutBlankLines drops what comments leave behind.
func withoutBlankLines(text string) string {
	var lines []string
	for line := range strings.Lines(text) {
		if line = strings.TrimRight(line, " \t\r\n"); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

// isKey reports whether a scalar is the key of a mapping. What follows a colon
// on its own line is a value, whatever comes after it.
func isKey(t *token.Token) bool {
	if t.Next == nil || t.Next.Type != token.MappingValueType {
		return false
	}
	p := t.Prev
	return p == nil || p.Type != token.MappingValueType || p.Position.Line != t.Position.Line
}

// isScalar reports whether a token is a key or a value, not punctuation.
func isScalar(t *token.Token) bool {
	switch t.Type {
	case token.StringType, token.SingleQuoteType, token.DoubleQuoteType, token.IntegerType, token.BinaryIntegerType,
		token.OctetIntegerType, token.HexIntegerType, token.FloatType, token.InfinityType, token.NanType,
		token.BoolType, token.NullType, token.ImplicitNullType, token.InvalidType, token.UnknownType, token.AnchorType, token.AliasType, token.TagType:
		return true
	}
	return false
}

// replaceScalar keeps the blanks around a value and nothing of it.
func replaceScalar(t *token.Token) string {
	if strings.TrimSpace(t.Origin) == "" {
		return t.Origin
	}
	start := len(t.Origin) - len(strings.TrimLeft(t.Origin, " \t\n"))
	end := len(strings.TrimRight(t.Origin, " \t\n"))
	return t.Origin[:start] + removed + t.Origin[end:]
}

// shortestPrivate is the length from which a private word is looked for in other
// text; shorter ones stand there by chance.
const shortestPrivate = 4

// withoutPrivate takes private words out of any text, such as an error that
// quotes the configuration.
func withoutPrivate(text string, private []string) string {
	for _, w := range private {
		for _, line := range append(strings.Split(w, "\n"), w) {
			if line = strings.TrimSpace(line); len(line) >= shortestPrivate {
				text = strings.ReplaceAll(text, line, removed)
			}
		}
	}
	return text
}
