package main

import (
	"context"
	"errors"
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
	words := wordsOf(cfg)
	if len(cfg.Channels) == 0 {
		return usagef("%s", words.Say("notify.none", text.Values{"file": cfg.File, "example": "{name: phone, kind: topic, url: ..., topic: ...}"}))
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
			answer = words.Error(err)
		} else {
			answer = words.Say("notify.sent", text.Values{"answer": answer})
		}
		fmt.Fprintf(s.out, "%s (%s): %s\n", spec.Name, spec.Kind, answer)
	}
	if tried == 0 {
		return usagef("%s", words.Say("notify.unknown", text.Values{"file": cfg.File, "found": names[0], "names": strings.Join(known, ", ")}))
	}
	for _, hint := range cfg.Hints() {
		fmt.Fprintln(s.out, words.Say("terminal.note", text.Values{"note": hint}))
	}
	if failed > 0 {
		return errors.New(words.Say("notify.lost", text.Values{"n": failed, "of": tried}))
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
