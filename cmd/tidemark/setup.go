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
	"tidemark/sensor/chip"
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
	if err := sayHowToReach(ctx, s, cfg); err != nil || *codeOnly {
		return err
	}
	t := &setupTalk{newTalk(ctx, s), config.Open(*configFile), cfg.Sysfs, text.New(app.LocaleOf(cfg))}
	if !t.confirm("\nSet up here in the terminal instead?") {
		return nil
	}
	return t.run(ctx)
}

// sayHowToReach prints where the page is, and the code while no passphrase is set.
func sayHowToReach(ctx context.Context, s streams, cfg *config.Config) error {
	store, err := openState(ctx, cfg.StateDir)
	if err != nil {
		return err
	}
	set, err := access.HasPassphrase(ctx, store.Settings())
	if err = errors.Join(err, store.Close(ctx)); err != nil {
		return err
	}
	at := strings.Join(app.Addresses(cfg, cfg.Web.Listen), " or ")
	switch {
	case cfg.Web.LocalOnly():
		fmt.Fprintf(s.out, "The page answers this machine alone, at %s. With listen: \":8080\" under web in %s, and a restart, it can be set up from the house.\n", cfg.Web.Listen, cfg.File)
		return nil
	case set:
		fmt.Fprintf(s.out, "The passphrase is set. Open %s and look under Settings.\n", at)
		return nil
	}
	w, err := app.ReopenWindow(cfg.StateDir)
	if err != nil {
		return fmt.Errorf("%w; run this as the service's user or as root", err)
	}
	if err := giveToOwnerOf(cfg.StateDir, filepath.Join(cfg.StateDir, "setup-")); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "For half an hour open %s on a phone or computer in the house and type the code %s\n", at, w.Code())
	return nil
}

// setupTalk sets up in the terminal.
type setupTalk struct {
	talk
	file  *config.File
	sysfs string
	words *text.Localizer
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
				t.say("Written.")
				break
			}
			t.say("Not written: %v", err)
		}
	}
	t.say("\nTake it into use with: sudo systemctl restart tidemark. Then measure the vessel: tidemark level, or on its page.")
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
	buses := chip.NewBuses()
	found := survey.Machine{Sysfs: t.sysfs, Buses: buses}.Try(ctx, source.Env{SysfsRoot: t.sysfs, Buses: buses}, nil, 2*time.Second)
	if err := buses.Close(); err != nil {
		return nil, nil, err
	}
	var offered []string
	floor := map[string]string{} // what each height sensor reads
	for _, f := range found {
		value := "no reading"
		if f.Usable > 0 {
			value = app.Measured(t.words, f.Quantity, f.Value)
		}
		t.say("%s %s: %s %s", t.words.Value("", f.Bus), t.words.Value("", f.What), value, app.Trouble(t.words, f))
		if f.Role != "" {
			offered = append(offered, sensor.Flow(f.Config))
		}
		if f.Role == "height" && f.Usable > 0 {
			floor[sensor.Flow(f.Config)] = fmt.Sprintf("%.1f", f.Value)
		}
	}
	name, ok := t.ask("\nName of the vessel under the sensor (Enter to go on):")
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
	return append(out, t.answers([][2]string{{"vessels[+].holds", "What is in it, dough or starter?"},
		{"vessels[+].profile.diameter_mm", "Its diameter inside, mm (other shapes on the page or in the file):"}, {"vessels[+].profile.height_mm", "Its height inside, mm:"}})...), offered, nil
}

// phone asks for a topic that a phone listens to.
func (t *setupTalk) phone(context.Context) ([]config.Value, []string, error) {
	server, ok := t.ask("\nMessages to a phone: address of the topic server (Enter to go on):")
	if !ok || server == "" {
		return nil, nil, nil
	}
	topic := "kitchen-" + strings.ToLower(access.NewCode())
	t.say("Have the phone listen to the topic %s; who knows it can read along.", topic)
	return []config.Value{{Path: "channels[+].kind", Text: "topic"}, {Path: "channels[+].name", Text: "phone"}, {Path: "channels[+].url", Text: server},
		{Path: "channels[+].topic", Text: topic}}, nil, nil
}

// language asks for what people see.
func (t *setupTalk) language(context.Context) ([]config.Value, []string, error) {
	return t.answers([][2]string{{"household.language", "\nLanguage of messages, en or de (Enter to go on):"}, {"household.temperature", "celsius or fahrenheit (Enter to go on):"}}), nil, nil
}

// answers asks questions and leaves out what is not answered.
func (t *setupTalk) answers(questions [][2]string) []config.Value {
	var out []config.Value
	for _, q := range questions {
		if answer, ok := t.ask("%s", q[1]); ok && answer != "" {
			out = append(out, config.Value{Path: q[0], Text: answer})
		}
	}
	return out
}
