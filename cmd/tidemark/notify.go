package main

import (
	"context"
	"fmt"
	"strings"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
)

// runNotify sends test messages. Warnings are listed and answered on the page.
func runNotify(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "notify", "notify --test [CHANNEL] [--config FILE]")
	configFile := fs.String("config", defaultConfig, "configuration file")
	test := fs.Bool("test", false, "send a real message through one channel, or all, and say what the server answered")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if !*test {
		return usagef("notify needs --test; warnings are listed and answered on the page")
	}
	cfg, err := config.Load(*configFile, config.WithoutSensors)
	if err != nil {
		return usageError{err}
	}
	return notifyTest(ctx, s, cfg, rest)
}

// notifyTest sends a test message through the named channel, or through all.
func notifyTest(ctx context.Context, s streams, cfg *config.Config, names []string) error {
	if len(names) > 1 {
		return usagef("notify --test takes one channel, found %d", len(names))
	}
	if len(cfg.Channels) == 0 {
		return usagef("%s lists no channels; add one under channels, such as {name: phone, kind: topic, url: ..., topic: ...}", cfg.File)
	}
	tried, failed := 0, 0
	var known []string
	for _, spec := range cfg.Channels {
		known = append(known, spec.Name)
		if len(names) == 1 && spec.Name != names[0] {
			continue
		}
		tried++
		answer, err := testChannel(ctx, cfg, spec)
		if err != nil {
			failed++
			fmt.Fprintf(s.out, "%s (%s): %v\n", spec.Name, spec.Kind, err)
			continue
		}
		fmt.Fprintf(s.out, "%s (%s): sent; the other side says: %s\n", spec.Name, spec.Kind, answer)
	}
	if tried == 0 {
		return usagef("%s has no channel %q; it has %s", cfg.File, names[0], strings.Join(known, ", "))
	}
	for _, hint := range cfg.Hints() {
		fmt.Fprintln(s.out, wordsOf(cfg).Say("terminal.note", text.Values{"note": hint}))
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d test messages did not get through; see above", failed, tried)
	}
	return nil
}

// testChannel sends one test message, past the store.
func testChannel(ctx context.Context, cfg *config.Config, spec alert.ChannelSpec) (string, error) {
	house := app.LocaleOf(cfg)
	route, err := channel.New(spec, channel.Env{Version: version(), Household: house})
	if err != nil {
		return "", err
	}
	out := alert.NewManager(nil, []alert.Route{route}, alert.Options{Household: house})
	answer, err := out.Test(ctx, spec.Name)
	if gone := out.Close(); err == nil && gone != nil {
		answer += fmt.Sprintf(" (and on closing: %v)", gone)
	}
	return answer, err
}
