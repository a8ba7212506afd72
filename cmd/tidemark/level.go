package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/cmd/tidemark/internal/app"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/sensor"
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
	words := wordsOf(cfg)
	vessel, err := cfg.Vessel(*name)
	if err != nil {
		return usageError{err}
	}
	if vessel.Height == nil {
		return usagef("%s", words.Say("level.no_sensor", text.Values{"vessel": vessel.Name, "file": cfg.File}))
	}
	buses := source.NewBuses()
	src, err := source.Open(vessel.Height, sensor.Distance, source.Env{SysfsRoot: cfg.Sysfs, Buses: buses})
	if err != nil {
		return err
	}
	l := &leveller{newTalk(ctx, s, words), vessel, *configFile, survey.NewCalibration(vessel.Height, app.InsideOf(vessel)),
		func() (survey.Level, error) { return survey.Measure(ctx, src, time.Duration(*seconds)*time.Second) }}
	return errors.Join(l.run(ctx), src.Close(), buses.Close())
}

// talk asks and listens in the terminal, in the household's words.
type talk struct {
	ctx   context.Context // ends the waiting for an answer
	lines <-chan string   // closed after the last one
	out   io.Writer
	words *text.Localizer
}

// newTalk starts to listen.
func newTalk(ctx context.Context, s streams, words *text.Localizer) talk {
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
	return talk{ctx, lines, s.out, words}
}

// line prints a line as it is.
func (t talk) line(text string) { fmt.Fprintln(t.out, text) }

// say prints a sentence of the catalogue.
func (t talk) say(key string, v text.Values) { t.line(t.words.Say(key, v)) }

// ask prints a question and gives the answer. ok is false when there are no answers any
// more.
func (t talk) ask(question string) (answer string, ok bool) {
	fmt.Fprint(t.out, question+" ")
	select {
	case line, ok := <-t.lines:
		if !ok {
			t.line("")
		}
		return strings.TrimSpace(line), ok
	case <-t.ctx.Done():
		t.line("")
		return "", false
	}
}

// confirm puts a question and reports whether the answer is yes.
func (t talk) confirm(question string) bool {
	answer, _ := t.ask(question + " " + t.words.Say("terminal.yes_no", nil))
	return slices.Contains([]string{"y", "yes", "j", "ja"}, strings.ToLower(answer))
}

// givenUp says that the person stopped.
func (t talk) givenUp() error { return inWords{errGivenUp, t.words.Say("level.stopped", nil)} }

// leveller is one calibration in the terminal.
type leveller struct {
	talk
	vessel config.Vessel
	file   string
	cal    *survey.Calibration
	level  func() (survey.Level, error)
}

// errGivenUp is that the person stopped.
var errGivenUp = errors.New("stopped: nothing was changed")

// run leads through the steps.
func (l *leveller) run(ctx context.Context) error {
	l.say("level.begin", text.Values{"vessel": l.vessel.Name, "sensor": sensor.Describe(l.vessel.Height), "floor": fmt.Sprint(l.vessel.FloorMM)})
	if err := l.empty(); err != nil {
		return err
	}
	if err := l.pour(ctx); err != nil {
		return err
	}
	return l.write()
}

// empty measures the empty vessel.
func (l *leveller) empty() error {
	if _, ok := l.ask(l.words.Say("level.put", nil)); !ok {
		return l.givenUp()
	}
	if err := l.cal.Empty(l.level); err != nil {
		return inWords{err, l.words.Say("level.not_empty", text.Values{"why": err})}
	}
	level := l.cal.Floor
	l.say("level.floor", text.Values{"floor_tenth": level.MM, "n": level.Usable, "spread_tenth": level.SpreadMM, "known_tenth": 2 * level.SDMM})
	for _, r := range l.cal.Remarks {
		l.say("terminal.note", text.Values{"note": r})
	}
	return nil
}

// pour measures known volumes of water until nothing is entered.
func (l *leveller) pour(ctx context.Context) error {
	l.line("")
	l.say("level.shape", nil)
	l.say("level.water", nil)
	for {
		answer, ok := l.ask(l.words.Say("level.litres", nil))
		if !ok {
			return l.givenUp()
		}
		if answer == "" {
			return nil
		}
		total, err := strconv.ParseFloat(strings.TrimRight(strings.ReplaceAll(answer, ",", "."), "lL "), 64)
		if err != nil {
			l.say("level.no_number", text.Values{"found": answer})
			continue
		}
		height, err := l.cal.Pour(total, l.level)
		switch {
		case ctx.Err() != nil:
			return l.givenUp()
		case err != nil:
			l.say("level.not_taken", text.Values{"why": err})
		default:
			l.say("level.stands", text.Values{"litres": l.words.Number(total, -1), "height_tenth": height})
		}
	}
}

// write shows the change and writes it after asking.
func (l *leveller) write() error {
	m, err := app.MeasuredIn(config.Open(l.file), l.vessel.Name, l.cal)
	if err != nil {
		return inWords{err, l.words.Error(err)}
	}
	shape := l.vessel.Profile
	if fresh, err := config.ProfileOf(m.Profile); err == nil {
		shape = fresh
	}
	l.line("\n" + app.WorthOfMM(l.vessel, shape, l.words))
	if m.ToTheRim {
		l.say("terminal.note", text.Values{"note": l.words.Say("page.level.to_the_rim", nil)})
	}
	l.line("")
	before, after := m.Differing()
	if len(before)+len(after) == 0 {
		l.say("level.same", text.Values{"file": l.file})
		return nil
	}
	l.say("level.change", text.Values{"file": l.file})
	for _, line := range before {
		l.line("  - " + line)
	}
	for _, line := range after {
		l.line("  + " + line)
	}
	if !l.confirm(l.words.Say("level.write", nil)) {
		l.say("level.unchanged", nil)
		return nil
	}
	if err := m.Write(); err != nil {
		return inWords{err, l.words.Say("refused.not_written", text.Values{"reason": err})}
	}
	l.say("level.written", nil)
	return nil
}
