package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
	"tidemark/estimator"
	"tidemark/estimator/geometry"
	"tidemark/sensor"
	"tidemark/sensor/survey"
	"tidemark/web"
)

// Times of measuring a vessel from the page. The length of a level stays well
// below the time that the page's server allows an answer.
const (
	levelEvery   = 500 * time.Millisecond // from reading to reading meanwhile
	levelLength  = 10 * time.Second       // of one level
	levelByNode  = 45 * time.Second       // of one level whose sensor sends when it likes
	levelForgets = 30 * time.Minute       // after the last step
)

// gauge measures the levels of one vessel by the readings that the watch takes anyway,
// so that no bus has two masters; while it measures, they come faster. The vessel's lock
// guards it.
type gauge struct {
	conf     sensor.Config
	interval sensor.Interval
	cal      *survey.Calibration // nil while nothing is measured
	busy     bool
	level    []sensor.Reading // of the level being measured
	touched  time.Time        // by the steady clock
}

// length is how long one level takes.
func (g *gauge) length() time.Duration {
	if _, pushed := g.conf.(*sensor.MQTT); pushed {
		return levelByNode
	}
	return levelLength
}

// levelling reports whether the vessel is being measured, so that its heights are no
// dough. What nobody goes on with is forgotten. v.mu is held.
func (v *vessel) levelling(now time.Time) bool {
	g := v.gauge
	if g == nil || g.cal == nil {
		return false
	}
	if !g.busy && (v.state.RiseID != 0 || now.Sub(g.touched) > levelForgets) {
		g.cal = nil
	}
	return g.cal != nil
}

// levelBlocked says why the vessel cannot be measured; empty when it can. v.mu is
// held.
func (v *vessel) levelBlocked() bake.Said {
	switch {
	case v.gauge == nil:
		return bake.Said{Key: "refused.no_gauge", Values: text.Values{"vessel": v.name}}
	case v.state.RiseID != 0:
		return bake.Said{Key: "refused.measure_later", Values: text.Values{"vessel": v.name}}
	}
	return bake.Said{}
}

// measure takes one step of measuring a vessel, for which it can measure one level.
func (a *App) measure(ctx context.Context, name string, step func(*survey.Calibration, func() (survey.Level, error)) error) error {
	v, err := a.hold(name)
	if err != nil {
		return err
	}
	defer v.mu.Unlock()
	if why := v.levelBlocked(); why.Key != "" {
		return bake.Refusal{Said: why}
	}
	g := v.gauge
	if g.busy {
		return bake.Refuse("measures", text.Values{"vessel": name})
	}
	if !v.levelling(a.opt.Clock.Now()) {
		g.cal = survey.NewCalibration(g.conf, InsideOf(v.config))
		_ = v.session.Wait() // no rise begins by itself: the vessel is empty, or full of water; it was built with the same before
	}
	g.touched = a.opt.Clock.Now()
	if err := step(g.cal, func() (survey.Level, error) { return v.measureLevel(ctx) }); err != nil {
		return because("not_measured", err)
	}
	return nil
}

// measureLevel collects the readings of one level. v.mu is held, but not meanwhile.
func (v *vessel) measureLevel(ctx context.Context) (survey.Level, error) {
	g := v.gauge
	g.busy, g.level = true, nil
	g.interval.Set(levelEvery)
	v.mu.Unlock()
	over := time.NewTimer(g.length())
	defer over.Stop()
	select {
	case <-ctx.Done():
	case <-over.C:
	}
	v.mu.Lock()
	g.interval.Set(0)
	g.busy, g.touched = false, v.app.opt.Clock.Now()
	if ctx.Err() != nil {
		return survey.Level{}, ctx.Err()
	}
	return survey.LevelOf(g.level)
}

// LevelEmpty measures the empty vessel, for web.Leveller.
func (a *App) LevelEmpty(ctx context.Context, name string) error {
	return a.measure(ctx, name, func(cal *survey.Calibration, level func() (survey.Level, error)) error {
		return cal.Empty(level)
	})
}

// LevelPour measures after water was poured in, for web.Leveller.
func (a *App) LevelPour(ctx context.Context, name string, totalL float64) error {
	return a.measure(ctx, name, func(cal *survey.Calibration, level func() (survey.Level, error)) error {
		_, err := cal.Pour(totalL, level)
		return err
	})
}

// LevelEnd forgets what was measured, for web.Leveller.
func (a *App) LevelEnd(vessel string) error {
	v, err := a.hold(vessel)
	if err != nil {
		return err
	}
	defer v.mu.Unlock()
	if v.gauge == nil {
		return nil
	}
	if v.gauge.busy {
		return bake.Refuse("measures", text.Values{"vessel": vessel})
	}
	v.gauge.cal = nil
	return nil
}

// Level tells how far the measuring of a vessel is, for web.Leveller.
func (a *App) Level(vessel string) (web.Level, error) {
	v, err := a.hold(vessel)
	if err != nil {
		return web.Level{}, err
	}
	defer v.mu.Unlock()
	l, g := web.Level{Blocked: a.words.Tell(v.levelBlocked())}, v.gauge
	if v.config.Profile != nil { // else it is told by eye
		l.FloorMM, l.TopMM, l.Old = v.config.FloorMM, v.config.Profile.TopMM(), pointsAlong(v.config.Profile)
		l.Worth = WorthOfMM(v.config, v.config.Profile, a.words)
	}
	if g == nil {
		return l, nil
	}
	l.Sensor, l.Seconds, l.Busy = sensor.Describe(g.conf), g.length().Seconds(), g.busy
	if g.cal == nil || g.cal.Floor == nil {
		return l, nil
	}
	f := g.cal.Floor
	l.Empty = &web.LevelReading{MM: f.MM, SpreadMM: f.SpreadMM, SDMM: f.SDMM, Usable: f.Usable, Missed: f.Missed}
	l.Pours = levelPoints(g.cal.Points[1:])
	for _, r := range g.cal.Remarks {
		l.Remarks = append(l.Remarks, a.words.Value("", r))
	}
	if g.busy {
		return l, nil
	}
	m, err := MeasuredIn(a.setup.file, vessel, g.cal)
	if err != nil {
		l.Remarks = append(l.Remarks, a.words.Tell(because("not_written", err).Said))
		return l, nil
	}
	if m.ToTheRim {
		l.Remarks = append(l.Remarks, a.words.Say("page.level.to_the_rim", nil))
	}
	l.Profile = levelPoints(m.Profile)
	if fresh, err := config.ProfileOf(m.Profile); err == nil {
		l.Worth = WorthOfMM(v.config, fresh, a.words)
	}
	l.Change = &web.LevelChange{ID: m.ID(), File: a.opt.Config.File, Backup: a.setup.file.Backup(m.Text)}
	l.Change.Before, l.Change.After = m.Differing()
	return l, nil
}

// levelPoints are points of [height mm, litres] for the page.
func levelPoints(points [][2]float64) []web.LevelPoint {
	var out []web.LevelPoint
	for _, p := range points {
		out = append(out, web.LevelPoint{HeightMM: p[0], VolumeL: p[1]})
	}
	return out
}

// pointsAlong draws a shape by some of its points.
func pointsAlong(shape *geometry.Profile) []web.LevelPoint {
	const steps = 12
	var out []web.LevelPoint
	for i := range steps + 1 {
		h := shape.TopMM() * float64(i) / steps
		out = append(out, web.LevelPoint{HeightMM: h, VolumeL: shape.Volume(h)})
	}
	return out
}

// LevelWrite writes what was measured into the configuration and puts it in force by
// the way of every reload, for web.Leveller.
func (a *App) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	m, err := a.writeLevel(vessel, change)
	if err != nil {
		return "", err
	}
	a.log.Info("a vessel was measured", "vessel", vessel, "floor_mm", m.FloorMM, "profile", m.Profile)
	said := a.words.Say("page.level.written", text.Values{"floor": a.words.Number(m.FloorMM, 1)})
	if n := len(m.Profile); n > 0 {
		said += " " + a.words.Say("page.level.points", text.Values{"n": n})
	}
	fresh, err := config.Load(a.opt.Config.File, config.Sensors)
	if err != nil {
		return "", fmt.Errorf("what was measured is written to %s, but counts only after the next start: %w", a.opt.Config.File, err)
	}
	if a.Reload(fresh) {
		a.setup.Restart()
	}
	return said, nil
}

// writeLevel writes the change that was shown under an id.
func (a *App) writeLevel(vessel, change string) (m measurement, err error) {
	v, err := a.hold(vessel)
	if err != nil {
		return m, err
	}
	defer v.mu.Unlock()
	g := v.gauge
	if g == nil || g.busy || g.cal == nil || g.cal.Floor == nil {
		return m, bake.Refuse("nothing_measured", text.Values{"vessel": vessel})
	}
	if m, err = MeasuredIn(a.setup.file, vessel, g.cal); err != nil {
		return m, because("not_written", err)
	}
	if m.ID() != change {
		return m, bake.Refuse("other_change", nil)
	}
	if err := m.Write(); err != nil {
		return m, because("not_written", err)
	}
	g.cal = nil
	return m, nil
}

// InsideOf is what the configuration says about a vessel's inside.
func InsideOf(v config.Vessel) survey.Inside {
	if v.Profile == nil {
		return survey.Inside{}
	}
	top := v.Profile.TopMM()
	return survey.Inside{TopMM: top, WidthMM: func(heightMM float64) float64 {
		const about = 10 // mm: over less the curve of a profile of few points says little
		lo, hi := max(0, heightMM-about), min(top, heightMM+about)
		areaMM2 := (v.Profile.Volume(hi) - v.Profile.Volume(lo)) * 1e6 / (hi - lo)
		return 2 * math.Sqrt(max(areaMM2, 0)/math.Pi) // of a round vessel of that area
	}}
}

// A usual rise, for what an error of the height comes to: judgement.
const (
	usualShare   = 0.4  // of the vessel is filled, so that twice as much has room
	usualRise    = 50.0 // percent
	usualPerHour = 25.0 // percent an hour
	usualErrorMM = 1.5  // of a cheap sensor after an hour, 1 sd
)

// WorthOfMM says to how many minutes a time is told in a vessel of a shape, and in a
// narrower one; empty when the shape does not tell.
func WorthOfMM(v config.Vessel, shape *geometry.Profile, words *text.Localizer) string {
	if shape == nil {
		return ""
	}
	start := usualShare * shape.TopMM()
	if v.Batch != nil {
		start = shape.Height(v.Batch.Numbers().StartVolumeL)
	}
	minutes := estimator.MinutesPerMM(shape, start, usualRise, usualPerHour)
	if math.IsNaN(minutes) {
		return ""
	}
	return words.Say("page.level.worth", text.Values{"minutes": math.Ceil(minutes * usualErrorMM), "start_mm": start, "speed_percent": usualPerHour, "per_mm_tenth": minutes,
		"error_tenth": usualErrorMM, "narrow": math.Ceil(minutes * usualErrorMM / 4)})
}

// rimReached is how near to the rim, in mm, water counts as having reached it.
const rimReached = 5

// toTheRim goes on with a measured profile from its last point, [height mm,
// litres], up to the rim of the shape that was known before, with that shape's
// widths: dough may stand higher than the water did. It says whether it did so.
func toTheRim(points [][2]float64, known *geometry.Profile) ([][2]float64, bool) {
	if len(points) == 0 || known == nil {
		return points, false
	}
	last, rim := points[len(points)-1], known.TopMM()
	if rim < last[0]+rimReached {
		return points, false
	}
	out := slices.Clone(points)
	for _, share := range []float64{0.5, 1} {
		h := last[0] + share*(rim-last[0])
		more := known.Volume(h) - known.Volume(last[0])
		out = append(out, [2]float64{math.Round(h*10) / 10, math.Round((last[1]+more)*1000) / 1000})
	}
	return out, true
}

// measurement is a measured vessel with what it changes in the configuration.
type measurement struct {
	FloorMM  float64
	Profile  [][2]float64 // height mm, litres; nil leaves the shape
	ToTheRim bool         // Profile goes on above the water as the shape in force does
	Text     []byte       // of the file with the change
	file     *config.File
	now      config.Sheet
}

// MeasuredIn works out what a measurement changes in the configuration as the file has
// it now.
func MeasuredIn(file *config.File, vessel string, cal *survey.Calibration) (m measurement, err error) {
	m.file = file
	if m.FloorMM, m.Profile, err = cal.Result(); err != nil {
		return m, err
	}
	if m.now, err = file.Read(); err == nil {
		err = m.now.Err
	}
	if err != nil {
		return m, err
	}
	v, err := m.now.Config.Vessel(vessel)
	if err != nil {
		return m, err
	}
	if m.Profile == nil && v.Profile.TopMM() > m.FloorMM {
		return m, config.Problem{Said: bake.Said{Key: "refused.measured_inside", Values: text.Values{"floor": fmt.Sprint(m.FloorMM), "top": fmt.Sprint(v.Profile.TopMM())}}}
	}
	m.Profile, m.ToTheRim = toTheRim(m.Profile, v.Profile)
	m.Text, err = config.Measured(m.now, vessel, m.FloorMM, m.Profile)
	return m, err
}

// ID names exactly this change.
func (m measurement) ID() string {
	return config.VersionOf(append([]byte(m.now.Version), m.Text...))
}

// Write writes it, unless the file is another one by now.
func (m measurement) Write() error {
	_, err := m.file.Save(m.now.Version, m.Text)
	return err
}

// Differing returns the lines that the change takes out and puts in.
func (m measurement) Differing() (before, after []string) {
	before, after = strings.Split(string(m.now.Text), "\n"), strings.Split(string(m.Text), "\n")
	for len(before) > 0 && len(after) > 0 && before[0] == after[0] {
		before, after = before[1:], after[1:]
	}
	for len(before) > 0 && len(after) > 0 && before[len(before)-1] == after[len(after)-1] {
		before, after = before[:len(before)-1], after[:len(after)-1]
	}
	return before, after
}
