package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/source"
	"tidemark/sensor/survey"
	"tidemark/web/access"
)

// setupUsage explains setup.
const setupUsage = `setup [--config FILE]           say how to set up on the page, opening it to the house again for half an hour; then, if you like, add a vessel and a way for messages here
       tidemark setup --code            only say how to set up on the page`

// runSetup says how the page is reached for setting up, and does the same here.
func runSetup(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "setup", setupUsage)
	configFile := fs.String("config", defaultConfig, "configuration file")
	codeOnly := fs.Bool("code", false, "only say how to set up on the page")
	if err := parseNone(fs, args); err != nil {
		return err
	}
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		return usageError{err}
	}
	t := &setupTalk{newTalk(ctx, s, wordsOf(cfg)), config.Open(*configFile), cfg}
	if err := t.howToReach(ctx); err != nil || *codeOnly {
		return err
	}
	t.line("")
	if !t.confirm(t.words.Say("setup.here", nil)) {
		return nil
	}
	return t.run(ctx)
}

// setupTalk sets up in the terminal.
type setupTalk struct {
	talk
	file *config.File
	cfg  *config.Config
}

// howToReach prints where the page is, and the code while no passphrase is set.
func (t *setupTalk) howToReach(ctx context.Context) error {
	store, err := openState(ctx, t.cfg.StateDir)
	if err != nil {
		return err
	}
	set, err := access.HasPassphrase(ctx, store.Settings())
	if err = errors.Join(err, store.Close(ctx)); err != nil {
		return err
	}
	at := strings.Join(app.Addresses(t.cfg, t.cfg.Web.Listen), " "+t.words.Say("terminal.or", nil)+" ")
	switch {
	case t.cfg.Web.LocalOnly():
		t.say("setup.local", text.Values{"address": t.cfg.Web.Listen, "file": t.cfg.File})
		return nil
	case set:
		t.say("setup.set", text.Values{"address": at})
		return nil
	}
	w, err := app.ReopenWindow(t.cfg.StateDir)
	if err != nil {
		return inWords{err, t.words.Say("setup.user", text.Values{"why": err})}
	}
	if err := giveToOwnerOf(t.cfg.StateDir, filepath.Join(t.cfg.StateDir, "setup-")); err != nil {
		return err
	}
	t.say("setup.code", text.Values{"address": at, "code": w.Code()})
	return nil
}

// run adds a vessel, a way for messages and the language, each of which can be left out.
func (t *setupTalk) run(ctx context.Context) error {
	for _, step := range []func(context.Context) ([]config.Value, []string, error){t.vessel, t.phone, t.language} {
		for {
			typed, offered, err := step(ctx)
			if err != nil {
				return err
			}
			if len(typed) == 0 {
				break
			}
			err = t.save(typed, offered)
			if err == nil {
				t.say("setup.written", nil)
				break
			}
			t.line(strings.TrimSuffix(t.words.Say("refused.not_written", text.Values{"reason": err.Error()}), "."))
		}
	}
	t.line("")
	t.say("setup.next", nil)
	return nil
}

// save makes the changes in the file as it is now.
func (t *setupTalk) save(typed []config.Value, offered []string) error {
	now, err := t.file.Read()
	if err != nil {
		return err
	}
	changed, err := config.Typed(now, typed, offered)
	if err != nil {
		return err
	}
	_, err = t.file.Save(now.Version, changed)
	return err
}

// vessel asks for a vessel under a sensor that is found.
func (t *setupTalk) vessel(ctx context.Context) ([]config.Value, []string, error) {
	buses := source.NewBuses()
	found := survey.Try(ctx, source.Env{SysfsRoot: t.cfg.Sysfs, Buses: buses}, nil, 2*time.Second)
	if err := buses.Close(); err != nil {
		return nil, nil, err
	}
	var offered []string
	floor := map[string]string{} // what each height sensor reads
	for _, f := range found {
		what, value := t.words.Value("", f.What), t.words.Say("page.set.no_reading", nil)
		switch {
		case f.Usable > 0:
			value = app.Measured(t.words, "measured", f.Quantity, f.Value)
		case what == "":
			value = t.words.Say("page.set.not_found", nil)
		}
		t.line(strings.TrimSpace(t.words.Value("", f.Bus)+" "+what) + ": " + strings.TrimSuffix(value+"; "+app.Trouble(t.words, f), "; "))
		if f.Role != "" {
			offered = append(offered, sensor.Flow(f.Config))
		}
		if f.Role == "height" && f.Usable > 0 {
			floor[sensor.Flow(f.Config)] = fmt.Sprintf("%.1f", f.Value)
		}
	}
	t.line("")
	name, ok := t.ask(t.words.Say("setup.name", nil))
	if !ok || name == "" {
		return nil, nil, nil
	}
	out := []config.Value{{Path: "vessels[+].name", Text: name}}
	for _, role := range []string{"height", "dough"} {
		for _, f := range found {
			if f.Role == role {
				out = append(out, config.Value{Path: "vessels[+]." + role, Text: sensor.Flow(f.Config)})
				if role == "height" {
					out = append(out, config.Value{Path: "vessels[+].floor_mm", Text: floor[sensor.Flow(f.Config)]})
				}
				break
			}
		}
	}
	out = append(out, config.Value{Path: "vessels[+].profile.shape", Text: "straight"})
	return append(out, t.answers([][2]string{{"vessels[+].holds", "setup.holds"},
		{"vessels[+].profile.diameter_mm", "setup.diameter"}, {"vessels[+].profile.height_mm", "setup.height"}})...), offered, nil
}

// phone asks for a topic that a phone listens to.
func (t *setupTalk) phone(context.Context) ([]config.Value, []string, error) {
	t.line("")
	server, ok := t.ask(t.words.Say("setup.topic", nil))
	if !ok || server == "" {
		return nil, nil, nil
	}
	topic := "kitchen-" + strings.ToLower(access.NewCode())
	t.say("setup.listen", text.Values{"topic": topic})
	return []config.Value{{Path: "channels[+].kind", Text: "topic"}, {Path: "channels[+].name", Text: "phone"}, {Path: "channels[+].url", Text: server},
		{Path: "channels[+].topic", Text: topic}}, nil, nil
}

// language asks for what people see.
func (t *setupTalk) language(context.Context) ([]config.Value, []string, error) {
	t.line("")
	return t.answers([][2]string{{"household.language", "setup.language"}, {"household.temperature", "setup.temperature"}}), nil, nil
}

// answers asks questions and leaves out what is not answered.
func (t *setupTalk) answers(questions [][2]string) []config.Value {
	var out []config.Value
	for _, q := range questions {
		if answer, ok := t.ask(t.words.Say(q[1], nil)); ok && answer != "" {
			out = append(out, config.Value{Path: q[0], Text: answer})
		}
	}
	return out
}
