package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/source"
	"tidemark/sensor/survey"
)

// exitDoubtful is check's code when every sensor reads, but not all of them well.
const exitDoubtful = 3

// checkUsage explains check.
const checkUsage = `check [--config FILE] [--seconds N]
       tidemark check --scan
       tidemark check --report

Reads every sensor of the configuration for ten seconds and says what it found,
what is wrong and what to do. With --scan it lists what is connected, each sensor as
a vessel's configuration names it. With --report it reads no sensor and prints what
helps with a fault, without a word that is private. Stop the service first: both would use the same
chips.

exit codes: 0 every sensor is good; 1 at least one gives no usable reading; 2 the
command line or the configuration is wrong; 3 every sensor reads, but at least one
is doubtful. With --scan and --report: 0, whatever they find.`

// runCheck reads every configured sensor, or lists what is connected.
func runCheck(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "check", checkUsage)
	configFile := fs.String("config", defaultConfig, "configuration file")
	scan := fs.Bool("scan", false, "list what is connected, as the configuration names it")
	report := fs.Bool("report", false, "print a report for a fault, without what is private")
	seconds := fs.Int("seconds", 10, "how long to read each sensor")
	sysfs := fs.String("sysfs", "", "where sysfs is mounted, instead of what the configuration says")
	err := parseNone(fs, args)
	if err == nil && (*seconds < 1 || *seconds > 600) {
		err = usagef("check: --seconds is %d; expected 1 to 600", *seconds)
	}
	if err != nil {
		return err
	}
	if *report {
		printReport(ctx, s.out, *configFile)
		return nil
	}
	buses := chip.NewBuses()
	if *scan {
		printSections(s.out, survey.Machine{Sysfs: *sysfs, Buses: buses}.Scan(ctx))
		return buses.Close()
	}
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		return usageError{err}
	}
	if *sysfs != "" {
		cfg.Sysfs = *sysfs
	}
	err = checkSensors(ctx, s.out, cfg, buses, time.Duration(*seconds)*time.Second)
	return errors.Join(err, buses.Close())
}

// printSections prints every bus with what is on it.
func printSections(w io.Writer, sections []survey.Section) {
	t := tabwriter.NewWriter(w, 2, 8, 2, ' ', 0)
	fmt.Fprintln(t, "BUS\tPLACE\tFOUND\tCONFIGURATION")
	words := english()
	for _, sec := range sections {
		if len(sec.Devices) == 0 {
			fmt.Fprintf(t, "%s\t-\tnone found: %s\n", words.Say(sec.Name, nil), words.Say(sec.None, nil))
		}
		for _, d := range sec.Devices {
			line := fmt.Sprintf("%s\t%s\t%s", words.Say(sec.Name, nil), d.Place, words.Value("", d.What)+words.Error(d.Trouble))
			if d.Config != nil {
				line += "\t" + sensor.Flow(d.Config)
			}
			fmt.Fprintln(t, line)
		}
	}
	_ = t.Flush() // as with every other print
}

// english says the sentences of the catalogue as all of this command is said.
func english() *text.Localizer { return text.New(text.Locale{}) }

// checkSensors reads every sensor of a configuration and prints the verdicts.
func checkSensors(ctx context.Context, w io.Writer, cfg *config.Config, buses *chip.Buses, length time.Duration) error {
	items := sensorItems(cfg)
	if inUse(cfg) {
		fmt.Fprintf(w, "Something listens at %s already. If it is the tidemark service, stop it first:\nboth would use the same sensors.\n\n", cfg.Web.Listen)
	}
	for _, note := range append(cfg.Hints(), cfg.Notes...) {
		fmt.Fprintf(w, "Note: %s.\n", note)
	}
	fmt.Fprintf(w, "Reading %s for %s.\n\n", count(len(items), "sensor"), length)
	results := survey.Check(ctx, items, source.Env{SysfsRoot: cfg.Sysfs, Buses: buses}, length)
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("check was stopped before it was through: %w", err)
	}
	for i := range results {
		compareFloor(cfg, &results[i])
	}
	printResults(w, results)
	printNotes(w, cfg)
	err := verdictCode(results)
	if errors.Is(err, exitError(exitFailed)) {
		fmt.Fprintln(w, "\nWhat this machine finds on its buses:")
		printSections(w, survey.Machine{Sysfs: cfg.Sysfs, Buses: buses}.Scan(ctx))
	}
	return err
}

// sensorItems lists the sensors of a configuration.
func sensorItems(cfg *config.Config) []survey.Item {
	var items []survey.Item
	for _, v := range cfg.Vessels {
		for _, s := range v.Sensors() {
			items = append(items, survey.Item{Vessel: v.Name, Role: s.Role, Config: s.Config, Quantity: s.Quantity})
		}
	}
	return items
}

// inUse tells whether the page's address is taken, most likely by the service.
func inUse(cfg *config.Config) bool {
	l, err := net.Listen("tcp", cfg.Web.Listen)
	if err == nil {
		_ = l.Close() // it was only tried
	}
	return errors.Is(err, syscall.EADDRINUSE)
}

// beyondFloor is how far a distance may exceed floor_mm, in mm.
const beyondFloor = 8

// compareFloor doubts a height sensor that sees farther than the vessel's floor.
func compareFloor(cfg *config.Config, f *survey.Result) {
	if f.Role != "height" || f.Verdict != survey.Good {
		return
	}
	v, err := cfg.Vessel(f.Vessel)
	if err == nil && f.Value > v.FloorMM+beyondFloor {
		f.Verdict = survey.Doubtful
		f.Problem = fmt.Errorf("it sees %.0f mm, farther than the empty vessel's floor at %g mm", f.Value, v.FloorMM)
		f.Advice = []string{"advice.floor"}
	}
}

// printResults prints the table, and what to do about each fault.
func printResults(w io.Writer, results []survey.Result) {
	t := tabwriter.NewWriter(w, 2, 8, 2, ' ', 0)
	fmt.Fprintln(t, "VESSEL\tSENSOR\tWHAT\tFOUND\tVALUE\tSPREAD\tREADINGS\tVERDICT")
	for _, f := range results {
		found, value, spread := "yes, no value", "-", "-"
		switch {
		case f.Usable > 0:
			found, value, spread = "yes", survey.Unit(f.Quantity, f.Value), survey.Unit(f.Quantity, f.Spread)
		case f.Status == sensor.Missing:
			found = "no"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%d of %d\t%s\n", f.Vessel, f.Role, sensor.Describe(f.Config), found, value, spread, f.Usable, f.Readings, f.Verdict)
	}
	_ = t.Flush() // as with every other print
	words := english()
	for _, f := range results {
		if f.Problem == nil {
			continue
		}
		fmt.Fprintf(w, "\n%s, %s: %s\n", f.Vessel, f.Role, words.Error(f.Problem))
		for _, a := range f.Advice {
			fmt.Fprintf(w, "  - %s\n", words.Say(a, nil))
		}
	}
}

// printNotes prints what else to know about the sensors.
func printNotes(w io.Writer, cfg *config.Config) {
	for _, v := range cfg.Vessels {
		if v.Height == nil {
			continue
		}
		notes := append(survey.Notes(v.Height, v.Air != nil), app.WorthOfMM(v, v.Profile, text.New(app.LocaleOf(cfg))))
		fmt.Fprintf(w, "\n%s, height, to know:\n  - %s\n", v.Name, strings.Join(notes, "\n  - "))
	}
}

// verdictCode is the exit code for the worst verdict.
func verdictCode(results []survey.Result) error {
	worst := exitOK
	for _, f := range results {
		switch f.Verdict {
		case survey.Failed:
			return exitError(exitFailed)
		case survey.Doubtful:
			worst = exitDoubtful
		}
	}
	if worst == exitOK {
		return nil
	}
	return exitError(worst)
}
