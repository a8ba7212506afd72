package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/bake/calendar"
	"tidemark/bake/planner"
	"tidemark/web/say"
)

// planFlags are the options of tidemark plan.
type planFlags struct {
	ready, now, starter, bed, wake, ics, configFile, vessel    *string
	db, out                                                    *string
	air, airSD, warm, dough, fridge, inoculation, target, cold *float64
	coldDays, tub                                              *float64
	mixing                                                     *string
	milk                                                       *bool
	atOnce                                                     *int
	loaves                                                     *int
	each                                                       *float64
	noFridge, all, published                                   *bool

	usual     string    // where the service's configuration is
	learnFrom string    // the vessel whose rises teach; empty for all
	outAt     time.Time // the dough stays out until then; zero when nobody asks
}

// runPlan plans a bake back from the time the bread is wanted.
func runPlan(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "plan", "plan --ready WHEN --air CELSIUS [options]")
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
	from, err := f.learn(ctx, &wish)
	if err != nil {
		return err
	}
	plans, err := planner.Make(wish)
	if err != nil {
		var field bake.FieldError
		if errors.As(err, &field) {
			return usagef("plan: %w", err)
		}
		return err
	}
	printPlans(s.out, wish, plans, *f.all, from)
	if err := f.printLeftOut(s.out, wish, plans[0]); err != nil {
		return err
	}
	if *f.ics == "" {
		return nil
	}
	return writeICS(s.out, *f.ics, wish, plans[0])
}

func addPlanFlags(fs *flag.FlagSet) planFlags {
	return planFlags{
		ready:       fs.String("ready", "", "when the bread is to be sliced: \"tomorrow 08:00\", \"sat 10:00\", \"18:30\", \"2026-03-08 08:00\""),
		now:         fs.String("now", "", "plan as if it were this time (default: the clock)"),
		starter:     fs.String("starter", "feed", "\"feed\" when it must be fed first, or until when it is ripe, e.g. \"today 14:00\""),
		bed:         fs.String("bed", "", "when the household goes to sleep (default: its quiet hours, else 22:30)"),
		wake:        fs.String("wake", "", "when it gets up (default: its quiet hours, else 06:30)"),
		db:          fs.String("db", "", "learn from this history `file`; the service's is found by itself"),
		published:   fs.Bool("published", false, "plan from published values alone, whatever the history knows"),
		out:         fs.String("left-out", "", "also say what becomes of a dough that stays out until then, e.g. \"today 23:00\""),
		usual:       defaultConfig,
		ics:         fs.String("ics", "", "write the first plan to this iCalendar file"),
		configFile:  fs.String("config", "", "take batch, target, time zone and quiet hours from this configuration (default: "+defaultConfig+" when it is there)"),
		vessel:      fs.String("vessel", "", "which vessel of the configuration, and whose rises teach (default: the first with dough)"),
		air:         fs.Float64("air", 22, "expected air temperature where the dough stands, Celsius"),
		airSD:       fs.Float64("air-sd", 1.5, "its doubt, one standard deviation"),
		warm:        fs.Float64("warm", 0, "temperature of a warmer spot, Celsius; 0 when there is none"),
		dough:       fs.Float64("dough", 0, "dough temperature after mixing, Celsius; 0 means the air's"),
		fridge:      fs.Float64("fridge", 4, "refrigerator, Celsius"),
		inoculation: fs.Float64("inoculation", 0, "fermented flour in percent of all flour; 0 means the batch's own"),
		target:      fs.Float64("target", 0, "rise at the end of the bulk of a bread baked the same day, percent; 0 means the configuration's, else what the dough's whole work leaves"),
		cold:        fs.Float64("total", 0, "rise in percent, as if left alone, that a dough has done when it goes into the oven; 0 means the usual of its kind"),
		coldDays:    fs.Float64("cold-days", 0, "how many days the starter has stood unfed in the refrigerator"),
		tub:         fs.Float64("tub", 0, "scale the batch so that it still fits a tub of so many litres when it has doubled"),
		atOnce:      fs.Int("at-once", 0, "how many loaves the oven, or the pots, take at a time; 0 means the batch's own"),
		mixing:      fs.String("mixing", "hand", "how it is mixed: hand, \"stand mixer\" or \"food processor\"; the water is warmed or cooled for that"),
		milk:        fs.Bool("milk-in-the-warm", false, "plan a dough with milk, egg, meat or fish although it stands warm for longer than the 2 hours food safety bodies allow"),
		loaves:      fs.Int("loaves", 0, "scale the batch to so many loaves (with --each)"),
		each:        fs.Float64("each", 0, "dough weight of one loaf, grams"),
		noFridge:    fs.Bool("no-fridge", false, "there is no room in the refrigerator"),
		all:         fs.Bool("all", false, "print the timetable of every way, not only of the first"),
	}
}

// wish turns the options into what the planner works from.
func (f *planFlags) wish() (planner.Wish, error) {
	w := planner.Wish{
		Batch: bake.DefaultBatch(), Now: time.Now(), NoFridge: *f.noFridge,
		Room: planner.Place{C: *f.air, SD: *f.airSD}, Warm: planner.Place{C: *f.warm, SD: *f.airSD},
		DoughC: *f.dough, FridgeC: *f.fridge, Starter: planner.Starter{ColdDays: *f.coldDays}, TargetPercent: *f.target, TotalPercent: *f.cold, MilkInTheWarm: *f.milk, Mixing: *f.mixing,
	}
	if *f.ready == "" {
		return w, errors.New("plan needs --ready WHEN, e.g. --ready \"tomorrow 08:00\"")
	}
	if err := f.fromConfig(&w); err != nil {
		return w, err
	}
	if err := f.times(&w); err != nil {
		return w, err
	}
	return w, f.scale(&w)
}

// fromConfig takes the batch, the target, the time zone and the quiet hours.
func (f *planFlags) fromConfig(w *planner.Wish) error {
	f.learnFrom = *f.vessel
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
	if w.TargetPercent == 0 {
		w.TargetPercent = v.TargetPercent
	}
	if cfg.Household.Zone != nil {
		w.Now = w.Now.In(cfg.Household.Zone)
	}
	for flag, quiet := range map[*string]string{f.bed: cfg.Household.QuietFrom, f.wake: cfg.Household.QuietUntil} {
		if *flag == "" {
			*flag = quiet
		}
	}
	return nil
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
	if w.BedMin, err = planner.ParseClock(orElse(*f.bed, "22:30")); err != nil {
		return fmt.Errorf("--bed: %w", err)
	}
	if w.WakeMin, err = planner.ParseClock(orElse(*f.wake, "06:30")); err != nil {
		return fmt.Errorf("--wake: %w", err)
	}
	if *f.out != "" {
		if f.outAt, err = planner.ParseWhen(*f.out, w.Now); err != nil {
			return fmt.Errorf("--left-out: %w", err)
		}
	}
	if *f.starter != "feed" {
		if w.Starter.RipeUntil, err = planner.ParseWhen(*f.starter, w.Now); err != nil {
			return fmt.Errorf("--starter: %w", err)
		}
	}
	return nil
}

// orElse is a text, or another when it is empty.
func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// scale applies the loaves and the inoculation.
func (f planFlags) scale(w *planner.Wish) (err error) {
	if *f.loaves != 0 || *f.each != 0 {
		if w.Batch, err = w.Batch.ScaleToLoaves(*f.loaves, *f.each); err != nil {
			return err
		}
	}
	if *f.tub != 0 {
		if w.Batch, err = w.Batch.ScaleToTub(*f.tub, 100, 0.1); err != nil {
			return err
		}
	}
	if *f.atOnce != 0 {
		w.Batch.AtOnce = *f.atOnce
	}
	if *f.inoculation != 0 {
		w.Batch, err = w.Batch.WithInoculation(*f.inoculation)
	}
	return err
}

// printPlans prints the first plan as a tide table and the others beside it.
func printPlans(out io.Writer, w planner.Wish, plans []planner.Plan, all bool, from string) {
	n, _ := w.Batch.Numbers()
	fmt.Fprintf(out, "%s, wanted %s. Room %.0f °C, dough %.0f g, hydration %.0f %%, %.0f %% of the flour fermented.\n",
		title(w), w.ReadyAt.Format("Mon 2 Jan 15:04"), w.Room.C, n.TotalG, n.HydrationPercent, n.InoculationPercent)
	fmt.Fprintln(out, from)
	if !plans[0].Fits {
		fmt.Fprintf(out, "No way is ready by then with even chances. The nearest:\n")
	}
	for i := range plans {
		plans[i] = worded(w, plans[i])
	}
	show := plans[:1]
	if all {
		show = plans
	}
	for _, p := range show {
		printPlan(out, p)
	}
	printWays(out, plans)
}

// wordsOf writes the moments of a text in the zone of the wish.
func wordsOf(w planner.Wish) say.House { return say.House{Zone: w.ReadyAt.Location()} }

// worded is a plan with its texts as they are printed.
func worded(w planner.Wish, p planner.Plan) planner.Plan {
	h := wordsOf(w)
	p.Why, p.Notes, p.Steps = h.Text(p.Why, w.Now), h.Texts(p.Notes, w.Now), h.Steps(p.Steps, w.Now)
	return p
}

func title(w planner.Wish) string {
	if w.Batch.Name == "" {
		return "Bread"
	}
	return w.Batch.Name
}

// printPlan prints one timetable.
func printPlan(out io.Writer, p planner.Plan) {
	fmt.Fprintf(out, "\n%s\n", strings.ToUpper(p.Name[:1])+p.Name[1:])
	if len(p.Steps) == 0 {
		fmt.Fprintf(out, "  %s\n", p.Why)
		return
	}
	fmt.Fprintf(out, "  Ready between %s and %s, most likely %s (8 in 10).\n",
		p.Ready.From.Format("Mon 15:04"), p.Ready.Until.Format("15:04"), p.Ready.Median.Format("15:04"))
	day, said := "", map[string]bool{}
	for _, s := range inOrder(p.Steps) {
		if d := s.At.Format("Mon 2 Jan"); d != day {
			fmt.Fprintf(out, "\n  %s\n", d)
			day = d
		}
		fmt.Fprintf(out, "  %s  %-16s %-18s %s\n", s.At.Format("15:04"), doubt(s), s.Name, s.Do)
		if s.Caution != "" && !said[s.Caution] {
			said[s.Caution] = true
			fmt.Fprintf(out, "%44s Caution: %s\n", "", s.Caution)
		}
	}
	fmt.Fprintln(out)
	for _, note := range p.Notes {
		fmt.Fprintf(out, "  %s\n", note)
	}
}

// inOrder sorts steps by time, keeping the order of equal ones.
func inOrder(steps []bake.Step) []bake.Step {
	out := append([]bake.Step(nil), steps...)
	for i := 1; i < len(out); i++ {
		for k := i; k > 0 && out[k].At.Before(out[k-1].At); k-- {
			out[k], out[k-1] = out[k-1], out[k]
		}
	}
	return out
}

// doubt is the window of a step when it is worth printing.
func doubt(s bake.Step) string {
	if s.Until.Sub(s.From) < 10*time.Minute {
		return ""
	}
	text := s.From.Format("15:04") + "-" + s.Until.Format("15:04")
	if days := s.Until.YearDay() - s.From.YearDay(); days != 0 {
		text += fmt.Sprintf(" +%dd", max(1, days))
	}
	return text
}

// printWays prints the ways side by side.
func printWays(out io.Writer, plans []planner.Plan) {
	fmt.Fprintf(out, "\nThe ways side by side; chances in percent. \"clock\": if the bulk ends by the timetable\nunseen. \"watched\": if it ends when the sensor says, as far as people are awake.\n\n")
	fmt.Fprintf(out, "  %-55s %-16s %5s  %13s  %13s\n", "", "most likely", "", "clock", "watched")
	fmt.Fprintf(out, "  %-55s %-16s %5s  %6s %6s  %6s %6s\n", "way", "ready", "late", "under", "over", "under", "over")
	for _, p := range plans {
		if len(p.Steps) == 0 {
			fmt.Fprintf(out, "  %-55s %s\n", p.Name, p.Why)
			continue
		}
		fmt.Fprintf(out, "  %-55s %-16s %5.0f  %6.0f %6.0f  %6.0f %6.0f\n", p.Name, p.Ready.Median.Format("Mon 2 Jan 15:04"),
			100*p.Late, 100*p.Clock.Under, 100*p.Clock.Over, 100*p.Watched.Under, 100*p.Watched.Over)
	}
}

// printLeftOut says what becomes of the dough of the first plan that stays out.
func (f planFlags) printLeftOut(out io.Writer, w planner.Wish, p planner.Plan) error {
	if f.outAt.IsZero() || len(p.Steps) == 0 {
		return nil
	}
	o, err := planner.LeftOut(w, p.Name, f.outAt)
	if err != nil {
		return usagef("--left-out: %w", err)
	}
	fmt.Fprintf(out, "\n%s: %s\n", strings.ToUpper(p.Name[:1])+p.Name[1:], wordsOf(w).Text(o.Text, w.Now))
	return nil
}

// writeICS writes the first plan as a calendar.
func writeICS(out io.Writer, path string, w planner.Wish, p planner.Plan) error {
	if len(p.Steps) == 0 {
		return fmt.Errorf("no calendar written: %s", wordsOf(w).Text(p.Why, w.Now))
	}
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("the calendar cannot be written: %w", err)
	}
	b := calendar.Bake{
		ID: "plan-" + w.ReadyAt.UTC().Format("20060102T1504Z"), Title: title(w), Steps: p.Steps, Stamp: w.Now, Alarm: 10 * time.Minute,
		Words: func(text string) string { return wordsOf(w).Text(text, w.Now) },
	}
	if err := errors.Join(calendar.Write(f, b), f.Close()); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nCalendar written to %s.\n", path)
	return nil
}
