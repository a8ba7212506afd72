package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
	"tidemark/sensor/chip"
	"tidemark/sensor/source"
	"tidemark/sensor/survey"
)

// levelUsage explains level.
const levelUsage = `level [--config FILE] [--vessel NAME] [--seconds N]

Measures an empty vessel and, if you like, its shape with known volumes of water,
and writes floor_mm and profile into the configuration after asking. The old file
is kept. Stop the service first: both would use the same sensor. While it runs,
measure on the vessel's page instead (Sensors, Measure).

exit codes: 0 measured, and written if you said so; 1 it could not be measured or
written; 2 the command line or the configuration is wrong.`

// runLevel leads through the calibration of one vessel.
func runLevel(ctx context.Context, s streams, args []string) error {
	fs := newFlags(s, "level", levelUsage)
	configFile := fs.String("config", defaultConfig, "configuration file")
	name := fs.String("vessel", "", "which vessel to measure")
	seconds := fs.Int("seconds", 10, "how long to measure each level")
	err := parseNone(fs, args)
	if err == nil && (*seconds < 1 || *seconds > 600) {
		err = usagef("level: --seconds is %d; expected 1 to 600", *seconds)
	}
	if err != nil {
		return err
	}
	cfg, err := config.Load(*configFile, config.Sensors)
	if err != nil {
		return usageError{err}
	}
	vessel, err := cfg.Vessel(*name)
	if err != nil {
		return usageError{err}
	}
	if vessel.Height == nil {
		return usagef("vessel %s has no height sensor in %s; add one (tidemark check --scan lists what is connected)", vessel.Name, cfg.File)
	}
	buses := chip.NewBuses()
	src, err := source.Open(vessel.Height, sensor.Distance, source.Env{SysfsRoot: cfg.Sysfs, Buses: buses})
	if err != nil {
		return err
	}
	l := &leveller{newTalk(ctx, s), vessel, *configFile, text.New(app.LocaleOf(cfg)),
		survey.NewCalibration(src, vessel.Height, app.InsideOf(vessel), time.Duration(*seconds)*time.Second)}
	return errors.Join(l.run(ctx), src.Close(), buses.Close())
}

// talk asks and listens in the terminal.
type talk struct {
	ctx   context.Context // ends the waiting for an answer
	lines <-chan string   // closed after the last one
	out   io.Writer
}

// newTalk starts to listen.
func newTalk(ctx context.Context, s streams) talk {
	lines := make(chan string)
	go func() {
		defer close(lines)
		in := bufio.NewScanner(s.in)
		for in.Scan() {
			select {
			case lines <- in.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return talk{ctx, lines, s.out}
}

// say prints a line.
func (t talk) say(format string, args ...any) { fmt.Fprintf(t.out, format+"\n", args...) }

// ask prints a question and gives the answer. ok is false when there are no
// answers any more.
func (t talk) ask(format string, args ...any) (answer string, ok bool) {
	fmt.Fprintf(t.out, format+" ", args...)
	select {
	case line, ok := <-t.lines:
		if !ok {
			t.say("")
		}
		return strings.ToLower(strings.TrimSpace(line)), ok
	case <-t.ctx.Done():
		t.say("")
		return "", false
	}
}

// confirm puts a question and reports whether the answer is yes.
func (t talk) confirm(format string, args ...any) bool {
	answer, _ := t.ask(format+" [y/N]", args...)
	return answer == "y" || answer == "yes"
}

// leveller is one calibration in the terminal.
type leveller struct {
	talk
	vessel config.Vessel
	file   string
	words  *text.Localizer
	cal    *survey.Calibration
}

// errGivenUp says that the person stopped.
var errGivenUp = errors.New("stopped: nothing was changed")

// run leads through the steps.
func (l *leveller) run(ctx context.Context) error {
	l.say("Measuring %s with %s. In the configuration: floor_mm %g.", l.vessel.Name, sensor.Describe(l.vessel.Height), l.vessel.FloorMM)
	if err := l.empty(ctx); err != nil {
		return err
	}
	if err := l.pour(ctx); err != nil {
		return err
	}
	return l.write()
}

// empty measures the empty vessel.
func (l *leveller) empty(ctx context.Context) error {
	if _, ok := l.ask("Put the empty, dry vessel under the sensor, in its usual place, and press Enter."); !ok {
		return errGivenUp
	}
	level, remarks, err := l.cal.Empty(ctx)
	if err != nil {
		return fmt.Errorf("the empty vessel could not be measured: %s; tidemark check says more", l.words.Error(err))
	}
	l.say("The floor is %.1f mm away (%d readings, spread %.1f mm; known to %.1f mm).", level.MM, level.Usable, level.SpreadMM, 2*level.SDMM)
	for _, r := range remarks {
		l.say("Note: %s.", r)
	}
	return nil
}

// pour measures known volumes of water until nothing is entered.
func (l *leveller) pour(ctx context.Context) error {
	l.say("\nIf you like, measure the vessel's shape: pour in water, a known volume at a time, at least three times.")
	l.say("Keep water away from the sensor, the board and every mains lead.")
	for {
		answer, ok := l.ask("Litres of water in the vessel now, in all (Enter to go on):")
		if !ok {
			return errGivenUp
		}
		if answer == "" {
			return nil
		}
		total, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.ReplaceAll(answer, ",", "."), "l")), 64)
		if err != nil {
			l.say("%q is not a number of litres; write it like 0.5", answer)
			continue
		}
		height, err := l.cal.Pour(ctx, total)
		switch {
		case ctx.Err() != nil:
			return errGivenUp
		case err != nil:
			l.say("Not taken: %v.", l.words.Error(err))
		default:
			l.say("%g L stand %.1f mm high.", total, height)
		}
	}
}

// write shows the change and writes it after asking.
func (l *leveller) write() error {
	m, err := app.MeasuredIn(config.Open(l.file), l.vessel.Name, l.cal)
	if err != nil {
		return err
	}
	shape := l.vessel.Profile
	if fresh, err := config.ProfileOf(m.Profile); err == nil {
		shape = fresh
	}
	l.say("\n%s", app.WorthOfMM(l.vessel, shape, l.words))
	if m.ToTheRim {
		l.say("Above the last level of water the shape is taken from the configuration, because dough may stand higher.")
	}
	before, after := m.Differing()
	if len(before)+len(after) == 0 {
		l.say("\nNothing differs; %s stays as it is.", l.file)
		return nil
	}
	l.say("\nThe change in %s:", l.file)
	for _, line := range before {
		l.say("  - %s", line)
	}
	for _, line := range after {
		l.say("  + %s", line)
	}
	if !l.confirm("Write it? The old file is kept beside it.") {
		l.say("Nothing was changed.")
		return nil
	}
	if err := m.Write(); err != nil {
		return fmt.Errorf("what was measured is not written: %w", err)
	}
	l.say("Written. Start the service, or reload it when it runs, so that it takes effect.")
	return nil
}
