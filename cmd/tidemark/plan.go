package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/bake/calendar"
	"tidemark/bake/planner"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
)

// planCall is one call of tidemark plan: its options, then what is planned.
type planCall struct {
	ready, peak, now, air, warm, starter, away, bakeIn, ics, configFile, vessel string
	loaves, atOnce                                                              int

	planner.Request
	out       io.Writer
	learnFrom string          // the vessel whose rises teach; empty for all
	words     *text.Localizer // of the household, as from now
	from      string          // what the plan is worked from, in words
}

// runPlan plans a bake back from the time the bread is wanted.
func runPlan(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "plan", "plan --ready WHEN --air TEMPERATURE [options]")
	p := &planCall{Request: planner.Request{Batch: bake.DefaultBatch(), Now: time.Now()}, out: s.out}
	fs.StringVar(&p.ready, "ready", "", "when the bread is to be sliced: \"tomorrow 08:00\", \"sat 10:00\", \"18:30\", \"2026-03-08 08:00\"")
	fs.StringVar(&p.peak, "peak", "", "no bread: how to feed the starter so that it peaks then, e.g. \"tomorrow 07:00\"")
	fs.StringVar(&p.now, "now", "", "plan as if it were this time (default: the clock)")
	fs.StringVar(&p.air, "air", "22C", "expected air temperature where the dough stands, in the household's degrees or with their letter: 72F")
	fs.StringVar(&p.warm, "warm", "", "temperature of a warmer spot")
	fs.StringVar(&p.starter, "starter", "feed", "\"feed\" when it must be fed first, until when it is ripe, e.g. \"today 14:00\", or how long it has stood unfed in the refrigerator, e.g. \"21 days\"")
	fs.StringVar(&p.away, "away", "", "when nobody is at home, e.g. \"15:00 to 18:00\"")
	fs.IntVar(&p.loaves, "loaves", 0, "scale the batch to so many loaves of its own weight")
	fs.IntVar(&p.atOnce, "at-once", 0, "how many loaves the oven, or the pots, take at a time (default: the batch's own, else all)")
	fs.StringVar(&p.bakeIn, "bake-in", "", "pot, tin, stone (with steam) or tray (default: the batch's own, else the usual one)")
	fs.BoolVar(&p.NoFridge, "no-fridge", false, "there is no room in the refrigerator")
	fs.BoolVar(&p.MilkInTheWarm, "milk-in-the-warm", false, "plan a dough with milk, egg, meat or fish although it stands warm for longer than the 2 hours food safety bodies allow")
	fs.StringVar(&p.ics, "ics", "", "write the first plan to this iCalendar file")
	fs.StringVar(&p.configFile, "config", "", "take batch, target, zone, units and quiet hours from this configuration (default: "+defaultConfig+" when it is there)")
	fs.StringVar(&p.vessel, "vessel", "", "which vessel of the configuration, and whose rises teach (default: the first with dough)")
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("plan: %q is not an option; a time of two words needs quotes, e.g. --ready \"tomorrow 08:00\"", rest[0])
	}
	if err := p.read(); err != nil {
		return usageError{p.refused(err)}
	}
	p.learn(ctx)
	if p.peak != "" {
		return p.printFeeds()
	}
	plans, err := planner.Make(p.Request)
	if err != nil {
		return p.refused(err)
	}
	p.print(plans)
	if p.ics == "" {
		return nil
	}
	return p.writeICS(plans[0])
}

// read takes in the configuration and the options.
func (p *planCall) read() error {
	if p.ready == "" && p.peak == "" {
		return errors.New("plan needs --ready WHEN, e.g. --ready \"tomorrow 08:00\", or --peak WHEN for a starter alone")
	}
	for _, read := range []func() error{p.readConfig, p.readDegrees, p.readTimes, p.readStarter, p.scale} {
		if err := read(); err != nil {
			return err
		}
	}
	p.words = p.words.At(p.Now)
	return nil
}

// readConfig takes the batch, the target, the time zone, the units and the quiet hours
// from the configuration named, else from the service's when there is one.
func (p *planCall) readConfig() error {
	p.learnFrom, p.words = p.vessel, text.New(text.Locale{Zone: p.Now.Location()})
	if p.configFile == "" {
		p.configFile = defaultConfig
		if _, err := os.Stat(defaultConfig); errors.Is(err, fs.ErrNotExist) {
			return nil
		}
	}
	cfg, err := config.Load(p.configFile, config.WithoutSensors)
	if err != nil {
		return err
	}
	p.Now, p.words = p.Now.In(cfg.Household.Zone), wordsOf(cfg)
	p.Hours.BedMin, p.Hours.WakeMin = cfg.Household.Sleep()
	if len(cfg.Vessels) == 0 && p.vessel == "" {
		return nil // nothing is set up yet: the usual bread
	}
	v, err := cfg.Dough(p.vessel)
	if err != nil {
		return err
	}
	p.learnFrom, p.TargetPercent = v.Name, v.TargetPercent
	if v.Batch != nil {
		p.Batch = *v.Batch
	}
	return nil
}

// readDegrees reads the temperatures.
func (p *planCall) readDegrees() (err error) {
	if p.RoomC, err = p.celsius(p.air); err != nil {
		return fmt.Errorf("--air: %w", err)
	}
	if p.warm == "" {
		return nil
	}
	if p.WarmC, err = p.celsius(p.warm); err != nil {
		return fmt.Errorf("--warm: %w", err)
	}
	return nil
}

// celsius reads a temperature in the household's degrees or in those it names.
func (p *planCall) celsius(typed string) (float64, error) {
	number, fahrenheit := strings.TrimSpace(strings.ToUpper(typed)), p.words.Locale().Fahrenheit
	for letter, is := range map[string]bool{"C": false, "F": true} {
		if rest, named := strings.CutSuffix(number, letter); named {
			number, fahrenheit = strings.TrimSpace(strings.TrimSuffix(rest, "°")), is
		}
	}
	c, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is no temperature; expected e.g. 22, 22C or 72F", typed)
	}
	if fahrenheit {
		c = (c - 32) * 5 / 9
	}
	return c, nil
}

// when reads a moment of an option, seen from another one.
func when(option, typed string, seen time.Time) (time.Time, error) {
	t, err := planner.ParseWhen(typed, seen)
	if err != nil {
		err = fmt.Errorf("--%s: %w", option, err)
	}
	return t, err
}

// readTimes reads every moment of the command line.
func (p *planCall) readTimes() (err error) {
	if p.now != "" {
		if p.Now, err = when("now", p.now, p.Now); err != nil {
			return err
		}
	}
	p.Now = p.Now.Truncate(time.Minute)
	option, typed := "ready", p.ready
	if p.peak != "" {
		option, typed = "peak", p.peak
	}
	if p.ReadyAt, err = when(option, typed, p.Now); err != nil || p.away == "" {
		return err
	}
	from, until, ok := strings.Cut(p.away, " to ")
	if !ok {
		return fmt.Errorf("--away: %q is no span of time; expected e.g. \"15:00 to 18:00\"", p.away)
	}
	var span bake.Span
	if span.From, err = when("away", from, p.Now); err == nil {
		span.Until, err = when("away", until, span.From)
	}
	p.Away = []bake.Span{span}
	return err
}

// readStarter reads where the starter stands.
func (p *planCall) readStarter() (err error) {
	typed := strings.TrimSpace(p.starter)
	days, cold := strings.CutSuffix(strings.TrimSuffix(typed, "s"), "day")
	switch {
	case cold:
		if p.Starter.ColdDays, err = strconv.ParseFloat(strings.TrimSpace(days), 64); err != nil || p.Starter.ColdDays < 0 {
			return fmt.Errorf("--starter: %q is no number of days; expected e.g. \"21 days\"", typed)
		}
	case typed != "feed":
		p.Starter.RipeUntil, err = when("starter", typed, p.Now)
	}
	return err
}

// scale makes the batch as large as asked.
func (p *planCall) scale() error {
	n, err := p.Batch.Numbers(), p.Batch.Validate()
	if err == nil && p.loaves != 0 {
		p.Batch, err = p.Batch.ScaleToLoaves(p.loaves, n.PerLoafG)
	}
	if p.atOnce != 0 {
		p.Batch.AtOnce = p.atOnce
	}
	if p.bakeIn != "" {
		p.Batch.BakeIn = bake.Ware(p.bakeIn)
	}
	return err
}

// learn takes in what the household's own rises and feedings teach and says what the
// plan is worked from. Without a history it is worked from published values.
func (p *planCall) learn(ctx context.Context) {
	path, how, err := findHistory("", p.configFile)
	if err == nil {
		_, err = os.Stat(path)
	}
	place := path + " (" + p.words.Tell(how) + ")"
	if errors.Is(err, fs.ErrNotExist) {
		err = inWords{err, p.words.Say("history.none.plan", text.Values{"place": place})}
	}
	var said bake.Said
	if err == nil {
		var store *history.Store
		if store, err = history.Open(ctx, path, history.Options{ReadOnly: true}); err == nil {
			said, err = app.LearnInto(ctx, store, p.learnFrom, &p.Request, false)
			err = errors.Join(err, store.Close(context.WithoutCancel(ctx)))
		}
	}
	if err != nil {
		p.from = p.words.Say("cli.plan.no_history", text.Values{"reason": err.Error()})
		return
	}
	p.from = p.words.Tell(said) + " " + p.words.Say("cli.plan.history", text.Values{"place": place})
}

// print prints the first plan as a tide table and the others beside it.
func (p *planCall) print(plans []planner.Plan) {
	n := p.Batch.Numbers()
	fmt.Fprintf(p.out, "%s\n%s\n", p.words.Say("cli.plan.head", text.Values{"bread": p.title(), "date": p.words.Date(p.ReadyAt), "at": p.words.At(p.ReadyAt).Clock(p.ReadyAt), "room_c": p.RoomC,
		"dough_g": n.TotalG, "hydration_percent": n.HydrationPercent, "fermented_percent": n.InoculationPercent}), p.from)
	p.printPlan(plans[0])
	p.printWays(plans)
}

// title is what is baked.
func (p *planCall) title() string {
	if p.Batch.Name == "" {
		return p.words.Say("cli.plan.bread", nil)
	}
	return p.Batch.Name
}

// printPlan prints one timetable. A caution is told once.
func (p *planCall) printPlan(plan planner.Plan) {
	l := p.words
	name := l.Tell(plan.Name())
	first, size := utf8.DecodeRuneInString(name)
	fmt.Fprintf(p.out, "\n%c%s\n", unicode.ToUpper(first), name[size:])
	if len(plan.Why) > 0 {
		fmt.Fprintf(p.out, "  %s\n", l.Tell(plan.Why...))
	}
	if len(plan.Steps) == 0 {
		return
	}
	fmt.Fprintf(p.out, "  %s\n", l.Say("cli.plan.ready", text.Values{"from": plan.Ready.From, "until": plan.Ready.Until, "at": plan.Ready.Median}))
	day, said := "", map[string]bool{}
	for _, s := range slices.SortedStableFunc(slices.Values(plan.Steps), func(a, b bake.Step) int { return a.At.Compare(b.At) }) {
		if d := l.Date(s.At); d != day {
			fmt.Fprintf(p.out, "\n  %s\n", d)
			day = d
		}
		takes, doubt, then := "", "", l.At(s.At) // what lies on another day has its name
		if s.Takes >= time.Minute {
			takes = l.Span(s.Takes)
		}
		if s.Until.Sub(s.From) >= 10*time.Minute {
			doubt = then.Clock(s.From) + "-" + then.Clock(s.Until)
		}
		fmt.Fprintf(p.out, "  %s  %-19s  %-12s %-18s %s\n", then.Clock(s.At), doubt, takes, l.Tell(s.Name), l.Tell(s.Do))
		for _, c := range s.Caution {
			if text := l.Tell(c); !said[text] {
				said[text] = true
				fmt.Fprintf(p.out, "%62s %s\n", "", l.Say("calendar.caution", bake.Values{"caution": text}))
			}
		}
	}
	fmt.Fprintln(p.out)
	for _, note := range plan.Notes {
		fmt.Fprintf(p.out, "  %s\n", l.Tell(note))
	}
}

// printWays prints the ways side by side.
func (p *planCall) printWays(plans []planner.Plan) {
	l := p.words
	fmt.Fprintf(p.out, "\n%s\n\n", l.Say("cli.plan.ways", nil))
	t := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	for _, key := range []string{"way", "at", "late", "clock_under", "clock_over", "under", "over"} {
		fmt.Fprint(t, "\t", l.Say("cli.plan.col."+key, nil))
	}
	fmt.Fprintln(t)
	for _, x := range plans {
		fmt.Fprintf(t, "\t%s", l.Tell(x.Name()))
		if len(x.Steps) == 0 {
			fmt.Fprintf(t, "\t%s\n", l.Tell(x.Why...))
			continue
		}
		fmt.Fprintf(t, "\t%s", l.Clock(x.Ready.Median))
		for _, c := range []float64{x.Late, x.Clock.Under, x.Clock.Over, x.Watched.Under, x.Watched.Over} {
			fmt.Fprintf(t, "\t%s", l.Percent(100*c))
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // as the other lines: what cannot be written is not seen
}

// printFeeds prints the feedings that peak at the wanted time, the next one first.
func (p *planCall) printFeeds() error {
	feedings, err := planner.Feedings(p.Request)
	if err != nil {
		return p.refused(err)
	}
	fmt.Fprintf(p.out, "%s\n%s\n\n", p.words.Say("plan.peak", text.Values{"at": p.ReadyAt, "room_c": p.RoomC}), p.from)
	for _, x := range feedings {
		fmt.Fprintf(p.out, "  %s\n", p.words.Tell(x.Said()...))
	}
	return nil
}

// refused is what an error of the planner means to the person.
func (p *planCall) refused(err error) error {
	var no bake.Refusal
	var field bake.FieldError
	switch {
	case errors.As(err, &no):
		return usagef("plan: %s", p.words.Tell(no.Said))
	case errors.As(err, &field):
		return usagef("plan: %s: %s", field.Field, p.words.Tell(field.Said))
	}
	return err
}

// writeICS writes the first plan as a calendar.
func (p *planCall) writeICS(plan planner.Plan) error {
	if len(plan.Steps) == 0 {
		return fmt.Errorf("no calendar written: %s", p.words.Tell(plan.Why...))
	}
	file, err := os.Create(p.ics)
	if err != nil {
		return fmt.Errorf("the calendar cannot be written: %w", err)
	}
	b := calendar.Bake{
		ID: "plan-" + p.ReadyAt.UTC().Format("20060102T1504Z"), Title: p.title(), Steps: plan.Steps, Stamp: p.Now, Alarm: 10 * time.Minute,
		Speak: func(s bake.Said) string { return p.words.Tell(s) },
	}
	if err := errors.Join(calendar.Write(file, b), file.Close()); err != nil {
		return err
	}
	fmt.Fprintf(p.out, "\n%s\n", p.words.Say("cli.plan.calendar", text.Values{"file": p.ics}))
	return nil
}
