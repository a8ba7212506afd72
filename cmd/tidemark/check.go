package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/history"
	"tidemark/sensor"
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
	buses := source.NewBuses()
	if *scan {
		words := text.New(text.Locale{})
		if cfg, err := config.Load(*configFile, config.WithoutSensors); err == nil {
			words = wordsOf(cfg)
		}
		printFound(s.out, words, survey.Scan(ctx, source.Env{SysfsRoot: *sysfs, Buses: buses}))
		return buses.Close()
	}
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		return usageError{err}
	}
	if *sysfs != "" {
		cfg.Sysfs = *sysfs
	}
	c := &checker{newTalk(ctx, s, wordsOf(cfg)), cfg, buses}
	return errors.Join(c.run(ctx, time.Duration(*seconds)*time.Second), buses.Close())
}

// table begins a table with its head, a sentence of the catalogue.
func table(w io.Writer, words *text.Localizer, head string) *tabwriter.Writer {
	t := tabwriter.NewWriter(w, 2, 8, 2, ' ', 0)
	fmt.Fprintln(t, strings.ReplaceAll(words.Say(head, nil), " | ", "\t"))
	return t
}

// printFound prints every bus with what is on it.
func printFound(w io.Writer, words *text.Localizer, found []survey.Found) {
	t := table(w, words, "check.scan")
	for _, f := range found {
		line := words.Value("", f.Bus) + "\t"
		if len(f.Advice) > 0 {
			line += "-\t" + words.Say("check.scan.none", text.Values{"what": sensor.Say(f.Advice[0])})
		} else {
			line += f.Place + "\t" + words.Value("", f.What) + words.Error(f.Problem)
		}
		if f.Config != nil {
			line += "\t" + sensor.Flow(f.Config)
		}
		fmt.Fprintln(t, line)
	}
	_ = t.Flush() // as with every other print
}

// checker checks the sensors of a configuration.
type checker struct {
	talk
	cfg   *config.Config
	buses *source.Buses
}

// run reads every sensor and prints the verdicts.
func (c *checker) run(ctx context.Context, length time.Duration) error {
	items := sensorItems(c.cfg)
	if inUse(c.cfg) {
		c.say("check.in_use", text.Values{"address": c.cfg.Web.Listen})
		c.line("")
	}
	for _, note := range append(c.cfg.Hints(), c.cfg.Notes...) {
		c.say("terminal.note", text.Values{"note": note})
	}
	c.line(c.words.SayN("check.reading", len(items), text.Values{"seconds": length.Seconds()}))
	c.line("")
	results := survey.Check(ctx, items, source.Env{SysfsRoot: c.cfg.Sysfs, Buses: c.buses}, length)
	if err := ctx.Err(); err != nil {
		return inWords{err, c.words.Say("check.stopped", nil)}
	}
	c.printResults(results)
	c.printNotes()
	err := verdictCode(results)
	if errors.Is(err, exitError(exitFailed)) {
		c.line("")
		c.say("check.scan.all", nil)
		printFound(c.out, c.words, survey.Scan(ctx, source.Env{SysfsRoot: c.cfg.Sysfs, Buses: c.buses}))
	}
	return err
}

// sensorItems lists the sensors of a configuration.
func sensorItems(cfg *config.Config) []survey.Result {
	var items []survey.Result
	for _, v := range cfg.Vessels {
		for _, s := range v.Sensors() {
			one := survey.Result{Vessel: v.Name, Role: s.Role, Config: s.Config, Quantity: s.Quantity}
			if s.Role == "height" {
				one.FloorMM = v.FloorMM
			}
			items = append(items, one)
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

// role says what a sensor is for.
func (c *checker) role(key string) string { return c.words.Say("page.sensor.name."+key, nil) }

// printResults prints the table, and what to do about each fault.
func (c *checker) printResults(results []survey.Result) {
	t := table(c.out, c.words, "check.table")
	for _, f := range results {
		found, value, spread := "check.found.silent", "-", "-"
		switch {
		case f.Usable > 0:
			found, value, spread = "check.found", app.Measured(c.words, "measured", f.Quantity, f.Value), app.Measured(c.words, "spread", f.Quantity, f.Spread)
		case f.Status == sensor.Missing:
			found = "check.found.missing"
		}
		usable := c.words.Say("check.usable", text.Values{"usable": f.Usable, "n": f.Readings})
		fmt.Fprintln(t, strings.Join([]string{f.Vessel, c.role(f.Role), sensor.Describe(f.Config), c.words.Say(found, nil), value, spread, usable, c.words.Say("check."+string(f.Verdict), nil)}, "\t"))
	}
	_ = t.Flush() // as with every other print
	for _, f := range results {
		if f.Problem == nil {
			continue
		}
		c.line("\n" + f.Vessel + ", " + c.role(f.Role) + ": " + c.words.Error(f.Problem))
		for _, a := range f.Advice {
			c.line("  - " + c.words.Say(a, nil))
		}
	}
}

// printNotes prints what else to know about the sensors.
func (c *checker) printNotes() {
	for _, v := range c.cfg.Vessels {
		if v.Height == nil {
			continue
		}
		c.line("\n" + c.words.Say("check.know", text.Values{"vessel": v.Name, "sensor": c.role("height")}))
		for _, note := range survey.Notes(v.Height, v.Air != nil) {
			c.line("  - " + c.words.Value("", note))
		}
		c.line("  - " + app.WorthOfMM(v, v.Profile, c.words))
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

// printReport prints what helps with a fault and may be shown to anybody: of the
// configuration which kinds of things it holds and where it is wrong, and none of its
// words.
func printReport(ctx context.Context, w io.Writer, configFile string) {
	fmt.Fprintf(w, "tidemark %s, %s, %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(w, "board: %s\n", firstLine("/proc/device-tree/model"))
	fmt.Fprintf(w, "kernel: %s\n", firstLine("/proc/sys/kernel/osrelease"))
	fmt.Fprintf(w, "time: %s, set from the network: %v\n", time.Now().Format(time.RFC3339), exists("/run/systemd/timesync/synchronized"))
	cfg, err := config.Load(configFile, config.Sensors)
	var wrong config.Problems
	switch {
	case errors.As(err, &wrong):
		fmt.Fprintln(w, "the configuration is refused:")
		for _, p := range wrong {
			fmt.Fprintf(w, "  line %d, column %d: %s %s\n", p.Line, p.Col, p.Path, p.Said.Key)
		}
		return
	case err != nil:
		fmt.Fprintln(w, err)
		return
	}
	fmt.Fprintf(w, "the configuration is accepted: %s, %s, read every %s\n", count(len(cfg.Vessels), "vessel"), count(len(cfg.Channels), "channel"), cfg.SampleEvery)
	for i, v := range cfg.Vessels {
		line := fmt.Sprintf("vessel %d: %s, floor %g mm", i+1, v.Holds, v.FloorMM)
		for _, s := range v.Sensors() {
			line += fmt.Sprintf(", %s %s", s.Role, sensor.KindOf(s.Config))
		}
		fmt.Fprintln(w, line)
	}
	for i, c := range cfg.Channels {
		fmt.Fprintf(w, "channel %d: %s\n", i+1, c.Kind)
	}
	if err := reportHistory(ctx, w, filepath.Join(cfg.StateDir, historyFile)); err != nil {
		fmt.Fprintf(w, "history: %v\n", err)
	}
}

// reportHistory prints how the history is.
func reportHistory(ctx context.Context, w io.Writer, path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "history: %d kB\n", info.Size()/1024)
	store, err := history.Open(ctx, path, history.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	rises, err := store.OpenRises(ctx)
	for _, r := range rises {
		fmt.Fprintf(w, "under way: rise %d since %s, phase %s\n", r.ID, r.StartedAt.Format(time.RFC3339), r.Phase)
	}
	health, _ := json.Marshal(store.Health()) // numbers and times
	fmt.Fprintf(w, "health: %s\n", health)
	return errors.Join(err, store.Close(ctx))
}

// firstLine reads the first line of a small file.
func firstLine(path string) string {
	data, err := os.ReadFile(path)
	if err != nil {
		return "not known"
	}
	line, _, _ := strings.Cut(strings.TrimRight(string(data), "\x00\n"), "\n")
	return line
}

// exists reports whether a file is there.
func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
