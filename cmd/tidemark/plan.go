package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
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
)

// planFlags are the options of tidemark plan.
type planFlags struct {
	ready, peak, now, air, warm, starter, away, bakeIn, ics, configFile, vessel *string
	loaves, atOnce                                                              *int
	noFridge, milk                                                              *bool

	usual     string          // where the service's configuration is
	learnFrom string          // the vessel whose rises teach; empty for all
	words     *text.Localizer // of the household
}

// runPlan plans a bake back from the time the bread is wanted.
func runPlan(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "plan", "plan --ready WHEN --air TEMPERATURE [options]")
	f := addPlanFlags(fs)
	rest, err := parseFlags(fs, args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return usagef("plan: %q is not an option; a time of two words needs quotes, e.g. --ready \"tomorrow 08:00\"", rest[0])
	}
	request, err := f.request()
	if err != nil {
		return usageError{err}
	}
	from := f.learn(ctx, &request)
	if *f.peak != "" {
		return f.printFeeds(s.out, request, from)
	}
	plans, err := planner.Make(request)
	if err != nil {
		return f.refused(request, err)
	}
	f.printPlans(s.out, request, plans, from)
	if *f.ics == "" {
		return nil
	}
	return f.writeICS(s.out, request, plans[0])
}

func addPlanFlags(fs *flag.FlagSet) planFlags {
	return planFlags{
		ready:      fs.String("ready", "", "when the bread is to be sliced: \"tomorrow 08:00\", \"sat 10:00\", \"18:30\", \"2026-03-08 08:00\""),
		peak:       fs.String("peak", "", "no bread: how to feed the starter so that it peaks then, e.g. \"tomorrow 07:00\""),
		now:        fs.String("now", "", "plan as if it were this time (default: the clock)"),
		air:        fs.String("air", "22C", "expected air temperature where the dough stands, in the household's degrees or with their letter: 72F"),
		warm:       fs.String("warm", "", "temperature of a warmer spot"),
		starter:    fs.String("starter", "feed", "\"feed\" when it must be fed first, until when it is ripe, e.g. \"today 14:00\", or how long it has stood unfed in the refrigerator, e.g. \"21 days\""),
		away:       fs.String("away", "", "when nobody is at home, e.g. \"15:00 to 18:00\""),
		loaves:     fs.Int("loaves", 0, "scale the batch to so many loaves of its own weight"),
		atOnce:     fs.Int("at-once", 0, "how many loaves the oven, or the pots, take at a time (default: the batch's own, else all)"),
		bakeIn:     fs.String("bake-in", "", "pot, tin, stone (with steam) or tray (default: the batch's own, else the usual one)"),
		noFridge:   fs.Bool("no-fridge", false, "there is no room in the refrigerator"),
		milk:       fs.Bool("milk-in-the-warm", false, "plan a dough with milk, egg, meat or fish although it stands warm for longer than the 2 hours food safety bodies allow"),
		ics:        fs.String("ics", "", "write the first plan to this iCalendar file"),
		usual:      defaultConfig,
		configFile: fs.String("config", "", "take batch, target, zone, units and quiet hours from this configuration (default: "+defaultConfig+" when it is there)"),
		vessel:     fs.String("vessel", "", "which vessel of the configuration, and whose rises teach (default: the first with dough)"),
	}
}

// request turns the options into what the planner works from.
func (f *planFlags) request() (planner.Request, error) {
	w := planner.Request{Batch: bake.DefaultBatch(), Now: time.Now(), NoFridge: *f.noFridge, MilkInTheWarm: *f.milk}
	if *f.ready == "" && *f.peak == "" {
		return w, errors.New("plan needs --ready WHEN, e.g. --ready \"tomorrow 08:00\", or --peak WHEN for a starter alone")
	}
	for _, read := range []func(*planner.Request) error{f.fromConfig, f.degrees, f.times, f.readStarter, f.scale} {
		if err := read(&w); err != nil {
			return w, err
		}
	}
	return w, nil
}

// fromConfig takes the batch, the target, the time zone, the units and the quiet hours.
func (f *planFlags) fromConfig(w *planner.Request) error {
	f.learnFrom, f.words = *f.vessel, text.New(text.Locale{Zone: w.Now.Location()})
	cfg, err := f.config()
	if err != nil || cfg == nil {
		return err
	}
	w.Now = w.Now.In(cfg.Household.Zone)
	w.Hours.BedMin, w.Hours.WakeMin = cfg.Household.Sleep()
	f.words = text.New(app.LocaleOf(cfg))
	if len(cfg.Vessels) == 0 && *f.vessel == "" {
		return nil // nothing is set up yet: the usual bread
	}
	v, err := cfg.Dough(*f.vessel)
	if err != nil {
		return err
	}
	f.learnFrom, w.TargetPercent = v.Name, v.TargetPercent
	if v.Batch != nil {
		w.Batch = *v.Batch
	}
	return nil
}

// degrees reads the temperatures.
func (f *planFlags) degrees(w *planner.Request) (err error) {
	if w.RoomC, err = f.celsius(*f.air); err != nil {
		return fmt.Errorf("--air: %w", err)
	}
	if *f.warm == "" {
		return nil
	}
	if w.WarmC, err = f.celsius(*f.warm); err != nil {
		return fmt.Errorf("--warm: %w", err)
	}
	return nil
}

// celsius reads a temperature in the household's degrees or in those it names.
func (f *planFlags) celsius(typed string) (float64, error) {
	number, fahrenheit := strings.TrimSpace(strings.ToUpper(typed)), f.words.Locale().Fahrenheit
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

// times reads every moment of the command line.
func (f *planFlags) times(w *planner.Request) (err error) {
	if *f.now != "" {
		if w.Now, err = planner.ParseWhen(*f.now, w.Now); err != nil {
			return fmt.Errorf("--now: %w", err)
		}
	}
	w.Now = w.Now.Truncate(time.Minute)
	option, when := "--ready", *f.ready
	if *f.peak != "" {
		option, when = "--peak", *f.peak
	}
	if w.ReadyAt, err = planner.ParseWhen(when, w.Now); err != nil {
		return fmt.Errorf("%s: %w", option, err)
	}
	if *f.away == "" {
		return nil
	}
	from, until, ok := strings.Cut(*f.away, " to ")
	if !ok {
		return fmt.Errorf("--away: %q is no span of time; expected e.g. \"15:00 to 18:00\"", *f.away)
	}
	var span bake.Span
	if span.From, err = planner.ParseWhen(from, w.Now); err == nil {
		span.Until, err = planner.ParseWhen(until, span.From)
	}
	if err != nil {
		return fmt.Errorf("--away: %w", err)
	}
	w.Away = []bake.Span{span}
	return nil
}

// readStarter reads where the starter stands.
func (f *planFlags) readStarter(w *planner.Request) (err error) {
	typed := strings.TrimSpace(*f.starter)
	if typed == "feed" {
		return nil
	}
	if days, is := strings.CutSuffix(strings.TrimSuffix(typed, "s"), "day"); is {
		if w.Starter.ColdDays, err = strconv.ParseFloat(strings.TrimSpace(days), 64); err != nil || w.Starter.ColdDays < 0 {
			return fmt.Errorf("--starter: %q is no number of days; expected e.g. \"21 days\"", typed)
		}
		return nil
	}
	if w.Starter.RipeUntil, err = planner.ParseWhen(typed, w.Now); err != nil {
		return fmt.Errorf("--starter: %w", err)
	}
	return nil
}

// scale makes the batch as large as asked.
func (f *planFlags) scale(w *planner.Request) error {
	n, err := w.Batch.Numbers()
	if err == nil && *f.loaves != 0 {
		w.Batch, err = w.Batch.ScaleToLoaves(*f.loaves, n.PerLoafG)
	}
	if *f.atOnce != 0 {
		w.Batch.AtOnce = *f.atOnce
	}
	if *f.bakeIn != "" {
		w.Batch.BakeIn = bake.Ware(*f.bakeIn)
	}
	return f.refused(*w, err)
}

// printPlans prints the first plan as a tide table and the others beside it.
func (f *planFlags) printPlans(out io.Writer, w planner.Request, plans []planner.Plan, from string) {
	n, _ := w.Batch.Numbers()
	l := f.words.At(w.Now)
	fmt.Fprintf(out, "%s\n%s\n", l.Say("cli.plan.head", text.Values{"bread": f.title(w), "date": l.Date(w.ReadyAt), "at": f.words.Clock(w.ReadyAt), "room_c": w.RoomC,
		"dough_g": n.TotalG, "hydration_percent": n.HydrationPercent, "fermented_percent": n.InoculationPercent}), from)
	f.printPlan(out, w, plans[0])
	f.printWays(out, w, plans)
}

// title is what is baked.
func (f *planFlags) title(w planner.Request) string {
	if w.Batch.Name == "" {
		return f.words.Say("cli.plan.bread", nil)
	}
	return w.Batch.Name
}

// upper begins a line.
func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// printPlan prints one timetable. A caution is told once.
func (f *planFlags) printPlan(out io.Writer, w planner.Request, p planner.Plan) {
	l := f.words.At(w.Now)
	fmt.Fprintf(out, "\n%s\n", upper(l.Tell(p.Name())))
	if len(p.Why) > 0 {
		fmt.Fprintf(out, "  %s\n", l.Tell(p.Why...))
	}
	if len(p.Steps) == 0 {
		return
	}
	fmt.Fprintf(out, "  %s\n", l.Say("cli.plan.ready", text.Values{"from": p.Ready.From, "until": p.Ready.Until, "at": p.Ready.Median}))
	day, said := "", map[string]bool{}
	for _, s := range inOrder(p.Steps) {
		if d := l.Date(s.At); d != day {
			fmt.Fprintf(out, "\n  %s\n", d)
			day = d
		}
		takes := ""
		if s.Takes >= time.Minute {
			takes = l.Span(s.Takes)
		}
		fmt.Fprintf(out, "  %s  %-19s  %-12s %-18s %s\n", f.words.Clock(s.At), f.doubt(s), takes, l.Tell(s.Name), l.Tell(s.Do))
		for _, c := range s.Caution {
			if text := l.Tell(c); !said[text] {
				said[text] = true
				fmt.Fprintf(out, "%62s %s\n", "", l.Say("calendar.caution", bake.Values{"caution": text}))
			}
		}
	}
	fmt.Fprintln(out)
	for _, note := range p.Notes {
		fmt.Fprintf(out, "  %s\n", l.Tell(note))
	}
}

// inOrder sorts steps by time, keeping the order of equal ones.
func inOrder(steps []bake.Step) []bake.Step {
	out := slices.Clone(steps)
	slices.SortStableFunc(out, func(a, b bake.Step) int { return a.At.Compare(b.At) })
	return out
}

// doubt is the window of a step when it is worth printing; what lies on another day has
// its name.
func (f *planFlags) doubt(s bake.Step) string {
	if s.Until.Sub(s.From) < 10*time.Minute {
		return ""
	}
	l := f.words.At(s.At)
	return l.Clock(s.From) + "-" + l.Clock(s.Until)
}

// printWays prints the ways side by side.
func (f *planFlags) printWays(out io.Writer, w planner.Request, plans []planner.Plan) {
	l := f.words.At(w.Now)
	fmt.Fprintf(out, "\n%s\n\n", l.Say("cli.plan.ways", nil))
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	heads := []string{""}
	for _, key := range []string{"way", "at", "late", "clock_under", "clock_over", "under", "over"} {
		heads = append(heads, l.Say("cli.plan.col."+key, nil))
	}
	fmt.Fprintln(t, strings.Join(heads, "\t"))
	for _, p := range plans {
		row := []string{"", l.Tell(p.Name()), l.Tell(p.Why...)}
		if len(p.Steps) > 0 {
			row[2] = l.Clock(p.Ready.Median)
			for _, c := range []float64{p.Late, p.Clock.Under, p.Clock.Over, p.Watched.Under, p.Watched.Over} {
				row = append(row, l.Percent(100*c))
			}
		}
		fmt.Fprintln(t, strings.Join(row, "\t"))
	}
	_ = t.Flush() // as the other lines: what cannot be written is not seen
}

// printFeeds prints the feedings that peak at the wanted time, the next one first.
func (f *planFlags) printFeeds(out io.Writer, w planner.Request, from string) error {
	l := f.words.At(w.Now)
	feedings, err := planner.Feedings(w)
	if err != nil {
		return f.refused(w, err)
	}
	fmt.Fprintf(out, "%s\n%s\n\n", l.Say("plan.peak", text.Values{"at": w.ReadyAt, "room_c": w.RoomC}), from)
	for _, x := range feedings {
		fmt.Fprintf(out, "  %s\n", l.Tell(x.Said()...))
	}
	return nil
}

// refused is what an error of the planner means to the person.
func (f *planFlags) refused(w planner.Request, err error) error {
	var no bake.Refusal
	var field bake.FieldError
	switch {
	case errors.As(err, &no):
		return usagef("plan: %s", f.words.At(w.Now).Tell(no.Said))
	case errors.As(err, &field):
		return usagef("plan: %s: %s", field.Field, f.words.Tell(field.Said))
	}
	return err
}

// writeICS writes the first plan as a calendar.
func (f *planFlags) writeICS(out io.Writer, w planner.Request, p planner.Plan) error {
	if len(p.Steps) == 0 {
		return fmt.Errorf("no calendar written: %s", f.words.At(w.Now).Tell(p.Why...))
	}
	file, err := os.Create(*f.ics)
	if err != nil {
		return fmt.Errorf("the calendar cannot be written: %w", err)
	}
	b := calendar.Bake{
		ID: "plan-" + w.ReadyAt.UTC().Format("20060102T1504Z"), Title: f.title(w), Steps: p.Steps, Stamp: w.Now, Alarm: 10 * time.Minute,
		Speak: func(s bake.Said) string { return f.words.At(w.Now).Tell(s) },
	}
	if err := errors.Join(calendar.Write(file, b), file.Close()); err != nil {
		return err
	}
	fmt.Fprintf(out, "\n%s\n", f.words.Say("cli.plan.calendar", text.Values{"file": *f.ics}))
	return nil
}
