package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"tidemark/alert"
	"tidemark/alert/channel"
	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// notifyUsage is the synopsis of notify.
const notifyUsage = `notify [--config FILE]                  list the open warnings
       tidemark notify --test [CHANNEL]        send a test message through one channel or all
       tidemark notify ack ID|all              say no more about a warning
       tidemark notify snooze ID|all [30m]     say it again later`

// allAlarms stands for every open alarm.
const allAlarms = "all"

// runNotify sends test messages, lists open alarms and answers them.
func runNotify(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "notify", notifyUsage)
	configFile := fs.String("config", defaultConfig, "configuration file")
	test := fs.Bool("test", false, "send a real message and say what the server answered")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	cfg, err := config.Load(*configFile, config.WithoutSensors)
	if err != nil {
		return usageError{err}
	}
	if *test {
		return notifyTest(ctx, s, cfg, rest)
	}
	return notifyAlarms(ctx, s, cfg, rest)
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
		fmt.Fprintf(s.out, "Note: %s.\n", hint)
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
	out := alert.NewManager(alert.NewMemStore(), []alert.Route{route}, alert.Options{Household: house})
	answer, err := out.Test(ctx, spec.Name)
	if gone := out.Close(); err == nil && gone != nil {
		answer += fmt.Sprintf(" (and on closing: %v)", gone)
	}
	return answer, err
}

// notifyAlarms lists or answers the alarms of the service's store. The service
// notices within ten seconds.
func notifyAlarms(ctx context.Context, s streams, cfg *config.Config, words []string) error {
	verb, id, span, err := alarmWords(words)
	if err != nil {
		return err
	}
	path := filepath.Join(cfg.StateDir, historyFile)
	store, err := history.Open(ctx, path, history.Options{Beside: true, ReadOnly: verb == "list"})
	if err != nil {
		return fmt.Errorf("the warnings in %s cannot be opened: %w; run this as the service's user or as root, after the service has run once", cfg.StateDir, err)
	}
	manager := alert.NewManager(store, nil, alert.Options{Household: app.LocaleOf(cfg)})
	l := text.New(app.LocaleOf(cfg))
	if verb == "list" {
		err = listAlarms(ctx, s, l, manager)
	} else {
		err = answerAlarms(ctx, s, l, manager, verb, id, span)
	}
	return errors.Join(err, store.Close(context.WithoutCancel(ctx)))
}

// alarmWords reads the words after notify.
func alarmWords(words []string) (verb, id string, span time.Duration, err error) {
	if len(words) == 0 {
		return "list", "", 0, nil
	}
	verb = words[0]
	switch {
	case verb != "ack" && verb != "snooze":
		return "", "", 0, usagef("notify knows ack and snooze, found %q; to test a channel write notify --test %s", verb, verb)
	case len(words) < 2:
		return "", "", 0, usagef("notify %s needs the ID of a warning, or all; notify alone lists them", verb)
	case verb == "ack" && len(words) > 2, len(words) > 3:
		return "", "", 0, usagef("notify %s has too many words: %q", verb, words[2:])
	}
	if len(words) == 3 {
		if span, err = time.ParseDuration(words[2]); err != nil || span < time.Minute || span > 24*time.Hour {
			return "", "", 0, usagef("%q is not a time to wait between 1m and 24h; write it like 30m", words[2])
		}
	}
	return verb, words[1], span, nil
}

// openAlarms returns the alarms that are not resolved.
func openAlarms(ctx context.Context, manager *alert.Manager) ([]alert.Alarm, error) {
	all, err := manager.Alarms(ctx)
	var open []alert.Alarm
	for _, a := range all {
		if a.State != alert.Resolved {
			open = append(open, a)
		}
	}
	return open, err
}

// listAlarms prints the open alarms.
func listAlarms(ctx context.Context, s streams, l *text.Localizer, manager *alert.Manager) error {
	open, err := openAlarms(ctx, manager)
	if err != nil {
		return err
	}
	if len(open) == 0 {
		fmt.Fprintln(s.out, l.Say("cli.alarm.none", nil))
		return nil
	}
	for _, a := range open {
		state := l.Say("cli.alarm."+string(a.State), text.Values{"by": a.AckedBy, "until": a.SnoozedUntil})
		fmt.Fprintf(s.out, "%s %s  %s  [%s]\n    %s\n", l.Date(a.Since), l.Clock(a.Since), a.ID, state, a.Text)
	}
	return nil
}

// answerAlarms acknowledges or snoozes one alarm or all.
func answerAlarms(ctx context.Context, s streams, l *text.Localizer, manager *alert.Manager, verb, id string, span time.Duration) error {
	ids := []string{id}
	if id == allAlarms {
		open, err := openAlarms(ctx, manager)
		if err != nil {
			return err
		}
		ids = nil
		for _, a := range open {
			if a.State != alert.Acknowledged {
				ids = append(ids, a.ID)
			}
		}
		if len(ids) == 0 {
			fmt.Fprintln(s.out, l.Say("cli.alarm.answered", nil))
		}
	}
	for _, one := range ids {
		answer := func() (alert.Alarm, error) { return manager.Ack(ctx, one, "command line") }
		if verb == "snooze" {
			answer = func() (alert.Alarm, error) { return manager.Snooze(ctx, one, "command line", span) }
		}
		a, err := answer()
		if errors.Is(err, alert.ErrUnknownAlarm) {
			return fmt.Errorf("%w; tidemark notify lists the open ones", err)
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "%s: %s\n", a.ID, l.Say("cli.alarm."+string(a.State), text.Values{"by": a.AckedBy, "until": a.SnoozedUntil}))
	}
	return nil
}
