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
	"time"

	"tidemark/bake"
	"tidemark/bake/calendar"
	"tidemark/bake/planner"
	"tidemark/web/say"
)

// planFlags are the options of tidemark plan.
type planFlags struct {
	ready, now, air, warm, starter, away, ics, configFile, vessel *string
	loaves, atOnce                                                *int
	tub                                                           *float64
	noFridge, milk, all                                           *bool

	usual     string    // where the service's configuration is
	learnFrom string    // the vessel whose rises teach; empty for all
	house     say.House // how the household writes times and temperatures
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
	wish, err := f.wish()
	if err != nil {
		return usageError{err}
	}
	from := f.learn(ctx, &wish)
	plans, err := planner.Make(wish)
	if err != nil {
		var field bake.FieldError
		if errors.As(err, &field) {
			return usagef("plan: %s", f.house.Text(err.Error(), wish.Now))
		}
		return err
	}
	for i := range plans {
		p := &plans[i]
		p.Why, p.Notes, p.Steps = f.house.Text(p.Why, wish.Now), f.house.Texts(p.Notes, wish.Now), f.house.Steps(p.Steps, wish.Now)
	}
	f.printPlans(s.out, wish, plans, from)
	if *f.ics == "" {
		return nil
	}
	return f.writeICS(s.out, wish, plans[0])
}

func addPlanFlags(fs *flag.FlagSet) planFlags {
	return planFlags{
		ready:      fs.String("ready", "", "when the bread is to be sliced: \"tomorrow 08:00\", \"sat 10:00\", \"18:30\", \"2026-03-08 08:00\""),
		now:        fs.String("now", "", "plan as if it were this time (default: the clock)"),
		air:        fs.String("air", "22C", "expected air temperature where the dough stands, in the household's degrees or with their letter: 72F"),
		warm:       fs.String("warm", "", "temperature of a warmer spot"),
		starter:    fs.String("starter", "feed", "\"feed\" when it must be fed first, until when it is ripe, e.g. \"today 14:00\", or how long it has stood unfed in the refrigerator, e.g. \"21 days\""),
		away:       fs.String("away", "", "when nobody is at home, e.g. \"15:00 to 18:00\""),
		loaves:     fs.Int("loaves", 0, "scale the batch to so many loaves of its own weight"),
		tub:        fs.Float64("tub", 0, "scale the batch so that it still fits a tub of so many litres when it has doubled"),
		atOnce:     fs.Int("at-once", 0, "how many loaves the oven, or the pots, take at a time (default: the batch's own, else all)"),
		noFridge:   fs.Bool("no-fridge", false, "there is no room in the refrigerator"),
		milk:       fs.Bool("milk-in-the-warm", false, "plan a dough with milk, egg, meat or fish although it stands warm for longer than the 2 hours food safety bodies allow"),
		all:        fs.Bool("all", false, "print the timetable of every way, not only of the first"),
		ics:        fs.String("ics", "", "write the first plan to this iCalendar file"),
		usual:      defaultConfig,
		configFile: fs.String("config", "", "take batch, target, zone, units and quiet hours from this configuration (default: "+defaultConfig+" when it is there)"),
		vessel:     fs.String("vessel", "", "which vessel of the configuration, and whose rises teach (default: the first with dough)"),
	}
}

// wish turns the options into what the planner works from.
func (f *planFlags) wish() (planner.Wish, error) {
	w := planner.Wish{Batch: bake.DefaultBatch(), Now: time.Now(), NoFridge: *f.noFridge, MilkInTheWarm: *f.milk}
	if *f.ready == "" {
		return w, errors.New("plan needs --ready WHEN, e.g. --ready \"tomorrow 08:00\"")
	}
	for _, read := range []func(*planner.Wish) error{f.fromConfig, f.degrees, f.times, f.readStarter, f.scale} {
		if err := read(&w); err != nil {
			return w, err
		}
	}
	return w, nil
}

// fromConfig takes the batch, the target, the time zone, the units and the quiet hours.
func (f *planFlags) fromConfig(w *planner.Wish) error {
	f.learnFrom, f.house = *f.vessel, say.House{Zone: w.Now.Location()}
	cfg, err := f.config()
	if err != nil || cfg == nil {
		return err
	}
	v, err := doughIn(cfg, *f.vessel)
	if err != nil {
		return err
	}
	f.learnFrom = v.Name
	if v.Batch != nil {
		w.Batch = *v.Batch
	}
	w.TargetPercent = v.TargetPercent
	h := cfg.Household
	if h.Zone != nil {
		w.Now = w.Now.In(h.Zone)
	}
	f.house = say.House{Zone: w.Now.Location(), Clock12: h.TwelveHour, Fahrenheit: h.Fahrenheit}
	if h.QuietFrom == "" || h.QuietUntil == "" {
		return nil
	}
	if w.BedMin, err = planner.ParseClock(h.QuietFrom); err != nil {
		return err
	}
	w.WakeMin, err = planner.ParseClock(h.QuietUntil)
	return err
}

// degrees reads the temperatures.
func (f *planFlags) degrees(w *planner.Wish) (err error) {
	if w.Room.C, err = f.celsius(*f.air); err != nil {
		return fmt.Errorf("--air: %w", err)
	}
	if *f.warm == "" {
		return nil
	}
	if w.Warm.C, err = f.celsius(*f.warm); err != nil {
		return fmt.Errorf("--warm: %w", err)
	}
	return nil
}

// celsius reads a temperature in the household's degrees or in those it names.
func (f *planFlags) celsius(text string) (float64, error) {
	number, fahrenheit := strings.TrimSpace(strings.ToUpper(text)), f.house.Fahrenheit
	for letter, is := range map[string]bool{"C": false, "F": true} {
		if rest, named := strings.CutSuffix(number, letter); named {
			number, fahrenheit = strings.TrimSpace(strings.TrimSuffix(rest, "°")), is
		}
	}
	c, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is no temperature; expected e.g. 22, 22C or 72F", text)
	}
	if fahrenheit {
		c = (c - 32) * 5 / 9
	}
	return c, nil
}

// times reads every moment of the command line.
func (f *planFlags) times(w *planner.Wish) (err error) {
	if *f.now != "" {
		if w.Now, err = planner.ParseWhen(*f.now, w.Now); err != nil {
			return fmt.Errorf("--now: %w", err)
		}
	}
	w.Now = w.Now.Truncate(time.Minute)
	if w.ReadyAt, err = planner.ParseWhen(*f.ready, w.Now); err != nil {
		return fmt.Errorf("--ready: %w", err)
	}
	if *f.away == "" {
		return nil
	}
	from, until, ok := strings.Cut(*f.away, " to ")
	if !ok {
		return fmt.Errorf("--away: %q is no span of time; expected e.g. \"15:00 to 18:00\"", *f.away)
	}
	var span planner.Span
	if span.From, err = planner.ParseWhen(from, w.Now); err == nil {
		span.Until, err = planner.ParseWhen(until, span.From)
	}
	if err != nil {
		return fmt.Errorf("--away: %w", err)
	}
	w.Away = []planner.Span{span}
	return nil
}

// readStarter reads where the starter stands.
func (f *planFlags) readStarter(w *planner.Wish) (err error) {
	text := strings.TrimSpace(*f.starter)
	if text == "feed" {
		return nil
	}
	if days, is := strings.CutSuffix(strings.TrimSuffix(text, "s"), "day"); is {
		if w.Starter.ColdDays, err = strconv.ParseFloat(strings.TrimSpace(days), 64); err != nil || w.Starter.ColdDays < 0 {
			return fmt.Errorf("--starter: %q is no number of days; expected e.g. \"21 days\"", text)
		}
		return nil
	}
	if w.Starter.RipeUntil, err = planner.ParseWhen(text, w.Now); err != nil {
		return fmt.Errorf("--starter: %w", err)
	}
	return nil
}

// scale makes the batch as large as asked.
func (f *planFlags) scale(w *planner.Wish) error {
	n, err := w.Batch.Numbers()
	if err == nil && *f.loaves != 0 {
		w.Batch, err = w.Batch.ScaleToLoaves(*f.loaves, n.PerLoafG)
	}
	if err == nil && *f.tub != 0 {
		w.Batch, err = w.Batch.ScaleToTub(*f.tub, 100, 0.1)
	}
	if *f.atOnce != 0 {
		w.Batch.AtOnce = *f.atOnce
	}
	return err
}

// printPlans prints the first plan as a tide table and the others beside it.
func (f *planFlags) printPlans(out io.Writer, w planner.Wish, plans []planner.Plan, from string) {
	n, _ := w.Batch.Numbers()
	fmt.Fprintf(out, "%s, wanted %s %s. Room %s, dough %.0f g, hydration %.0f %%, %.0f %% of the flour fermented.\n%s\n",
		title(w), w.ReadyAt.Format("Mon 2 Jan"), f.house.Clock(w.ReadyAt), f.house.Text(fmt.Sprintf("%.3g °C", w.Room.C), w.Now), n.TotalG, n.HydrationPercent, n.InoculationPercent, from)
	show := plans[:1]
	if *f.all {
		show = plans
	}
	for _, p := range show {
		f.printPlan(out, p)
	}
	printWays(out, f.house, plans)
}

func title(w planner.Wish) string {
	if w.Batch.Name == "" {
		return "Bread"
	}
	return w.Batch.Name
}

// printPlan prints one timetable.
func (f *planFlags) printPlan(out io.Writer, p planner.Plan) {
	fmt.Fprintf(out, "\n%s\n", strings.ToUpper(p.Name[:1])+p.Name[1:])
	if p.Why != "" {
		fmt.Fprintf(out, "  %s\n", p.Why)
	}
	if len(p.Steps) == 0 {
		return
	}
	clock := f.house.Clock
	fmt.Fprintf(out, "  Ready between %s %s and %s, most likely %s (8 in 10).\n", p.Ready.From.Format("Mon"), clock(p.Ready.From), clock(p.Ready.Until), clock(p.Ready.Median))
	day, said := "", map[string]bool{}
	for _, s := range inOrder(p.Steps) {
		if d := s.At.Format("Mon 2 Jan"); d != day {
			fmt.Fprintf(out, "\n  %s\n", d)
			day = d
		}
		takes := ""
		if s.Takes >= time.Minute {
			takes = say.Duration(s.Takes)
		}
		fmt.Fprintf(out, "  %s  %-11s  %-12s %-18s %s\n", clock(s.At), f.doubt(s), takes, s.Name, s.Do)
		if s.Caution != "" && !said[s.Caution] {
			said[s.Caution] = true
			fmt.Fprintf(out, "%54s Caution: %s\n", "", s.Caution)
		}
	}
	fmt.Fprintln(out)
	for _, note := range p.Notes {
		fmt.Fprintf(out, "  %s\n", note)
	}
}

// inOrder sorts steps by time, keeping the order of equal ones.
func inOrder(steps []bake.Step) []bake.Step {
	out := slices.Clone(steps)
	slices.SortStableFunc(out, func(a, b bake.Step) int { return a.At.Compare(b.At) })
	return out
}

// doubt is the window of a step when it is worth printing.
func (f *planFlags) doubt(s bake.Step) string {
	if s.Until.Sub(s.From) < 10*time.Minute {
		return ""
	}
	text := f.house.Clock(s.From) + "-" + f.house.Clock(s.Until)
	if days := s.Until.YearDay() - s.From.YearDay(); days != 0 {
		text += fmt.Sprintf(" +%dd", max(1, days))
	}
	return text
}

// printWays prints the ways side by side.
func printWays(out io.Writer, house say.House, plans []planner.Plan) {
	fmt.Fprintf(out, "\nThe ways side by side; chances in percent. \"clock\": if the bulk ends by the timetable\nunseen. \"watched\": if it ends when the sensor says, as far as people are awake.\n\n")
	fmt.Fprintf(out, "  %-55s %-16s %5s  %13s  %13s\n", "", "most likely", "", "clock", "watched")
	fmt.Fprintf(out, "  %-55s %-16s %5s  %6s %6s  %6s %6s\n", "way", "ready", "late", "under", "over", "under", "over")
	for _, p := range plans {
		if len(p.Steps) == 0 {
			fmt.Fprintf(out, "  %-55s %s\n", p.Name, p.Why)
			continue
		}
		fmt.Fprintf(out, "  %-55s %-16s %5.0f  %6.0f %6.0f  %6.0f %6.0f\n", p.Name, p.Ready.Median.Format("Mon 2 Jan ")+house.Clock(p.Ready.Median),
			100*p.Late, 100*p.Clock.Under, 100*p.Clock.Over, 100*p.Watched.Under, 100*p.Watched.Over)
	}
}

// writeICS writes the first plan as a calendar.
func (f *planFlags) writeICS(out io.Writer, w planner.Wish, p planner.Plan) error {
	if len(p.Steps) == 0 {
		return fmt.Errorf("no calendar written: %s", p.Why)
	}
	file, err := os.Create(*f.ics)
	if err != nil {
		return fmt.Errorf("the calendar cannot be written: %w", err)
	}
	b := calendar.Bake{
		ID: "plan-" + w.ReadyAt.UTC().Format("20060102T1504Z"), Title: title(w), Steps: p.Steps, Stamp: w.Now, Alarm: 10 * time.Minute,
		Words: func(text string) string { return f.house.Text(text, w.Now) },
	}
	if err := errors.Join(calendar.Write(file, b), file.Close()); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nCalendar written to %s.\n", *f.ics)
	return nil
}
