package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
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

// gauge measures the levels of one vessel. It is a sensor.Source of the readings
// that the watch takes anyway, so that no bus has two masters; while it measures,
// they come faster.
type gauge struct {
	conf     sensor.Config
	interval *sensor.Interval
	next     chan sensor.Reading // the newest reading that nobody took

	// Guarded by the vessel's lock.
	cal     *survey.Calibration // nil while nothing is measured
	busy    bool
	touched time.Time // by the steady clock
}

// newGauge makes the gauge of a vessel.
func newGauge(conf sensor.Config) *gauge {
	return &gauge{conf: conf, interval: &sensor.Interval{}, next: make(chan sensor.Reading, 1)}
}

// show hands the newest reading on. Only the bus's goroutine calls it.
func (g *gauge) show(r sensor.Reading) {
	g.drop()
	select {
	case g.next <- r:
	default:
	}
}

// drop forgets a reading that nobody took.
func (g *gauge) drop() {
	select {
	case <-g.next:
	default:
	}
}

// Read waits for the next reading.
func (g *gauge) Read(ctx context.Context) sensor.Reading {
	select {
	case r := <-g.next:
		return r
	case <-ctx.Done():
		r := sensor.Reading{Quantity: sensor.Distance}
		return r.Fault(sensor.Stale, "gauge.late")
	}
}

// Close does nothing: the source belongs to the watch.
func (g *gauge) Close() error { return nil }

// MaxWait returns how long a reading may wait.
func (g *gauge) MaxWait() time.Duration { return g.length() }

// length is how long one level takes.
func (g *gauge) length() time.Duration {
	if sensor.KindOf(g.conf) == sensor.KindMQTT {
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
		return false
	}
	return true
}

// begin takes the gauge for one level. It refuses what cannot be measured now.
func (v *vessel) begin(now time.Time) (*gauge, *survey.Calibration, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if why := v.levelBlocked(); why.Key != "" {
		return nil, nil, bake.Refusal{Said: why}
	}
	g := v.gauge
	if g.busy {
		return nil, nil, bake.Refuse("measures", text.Values{"vessel": v.config.Name})
	}
	v.levelling(now) // forgets what is too old
	if g.cal == nil {
		g.cal = survey.NewCalibration(g, g.conf, InsideOf(v.config), g.length())
		_ = v.session.Wait() // no rise begins by itself: the vessel is empty, or full of water; it was built with the same before
	}
	g.drop() // from before the vessel was put there
	g.busy, g.touched = true, now
	g.interval.Set(levelEvery)
	return g, g.cal, nil
}

// levelBlocked says why the vessel cannot be measured; empty when it can. v.mu is
// held.
func (v *vessel) levelBlocked() bake.Said {
	switch {
	case v.gauge == nil:
		return bake.Said{Key: "refused.no_gauge", Values: text.Values{"vessel": v.config.Name}}
	case v.state.RiseID != 0:
		return bake.Said{Key: "refused.measure_later", Values: text.Values{"vessel": v.config.Name}}
	}
	return bake.Said{}
}

// measure takes one level of a vessel.
func (a *App) measure(name string, level func(*survey.Calibration) error) error {
	v, err := a.vessel(name)
	if err != nil {
		return err
	}
	g, cal, err := v.begin(a.opt.Clock.Now())
	if err != nil {
		return err
	}
	err = level(cal)
	g.interval.Set(0)
	v.mu.Lock()
	defer v.mu.Unlock()
	g.busy, g.touched = false, a.opt.Clock.Now()
	if err != nil {
		return because("not_measured", err)
	}
	return nil
}

// LevelEmpty measures the empty vessel, for web.Leveller.
func (a *App) LevelEmpty(ctx context.Context, name string) error {
	return a.measure(name, func(cal *survey.Calibration) error { return cal.Empty(ctx) })
}

// LevelPour measures after water was poured in, for web.Leveller.
func (a *App) LevelPour(ctx context.Context, name string, totalL float64) error {
	return a.measure(name, func(cal *survey.Calibration) error {
		_, err := cal.Pour(ctx, totalL)
		return err
	})
}

// LevelEnd forgets what was measured, for web.Leveller.
func (a *App) LevelEnd(vessel string) error {
	v, err := a.vessel(vessel)
	if err != nil {
		return err
	}
	v.mu.Lock()
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
	v, err := a.vessel(vessel)
	if err != nil {
		return web.Level{}, err
	}
	v.mu.Lock()
	l := a.levelForWeb(v)
	l.Worth = WorthOfMM(v.config, v.config.Profile, a.words)
	cal := v.measured()
	v.mu.Unlock()
	if cal == nil {
		return l, nil
	}
	m, err := MeasuredIn(a.setup.file, vessel, cal)
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

// levelForWeb is what is known without looking at files. v.mu is held.
func (a *App) levelForWeb(v *vessel) web.Level {
	if v.config.Profile == nil { // told by eye
		return web.Level{Blocked: a.words.Tell(v.levelBlocked())}
	}
	l := web.Level{FloorMM: v.config.FloorMM, TopMM: v.config.Profile.TopMM(), Blocked: a.words.Tell(v.levelBlocked()), Old: pointsAlong(v.config.Profile)}
	g := v.gauge
	if g == nil {
		return l
	}
	l.Sensor, l.Seconds, l.Busy = sensor.Describe(g.conf), g.length().Seconds(), g.busy
	if g.cal == nil {
		return l
	}
	m := g.cal.State()
	if f := m.Floor; f != nil {
		l.Empty = &web.LevelReading{MM: f.MM, SpreadMM: f.SpreadMM, SDMM: f.SDMM, Usable: f.Usable, Missed: f.Missed}
		l.Pours = levelPoints(m.Points[1:])
		for _, r := range m.Remarks {
			l.Remarks = append(l.Remarks, a.words.Value("", r))
		}
	}
	return l
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

// measured is what there is to keep so far; nil when there is nothing. v.mu is held.
func (v *vessel) measured() *survey.Calibration {
	g := v.gauge
	if g == nil || g.busy || g.cal == nil || g.cal.State().Floor == nil {
		return nil
	}
	return g.cal
}

// LevelWrite writes what was measured into the configuration and puts it in force by
// the way of every reload, for web.Leveller.
func (a *App) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	v, err := a.vessel(vessel)
	if err != nil {
		return "", err
	}
	v.mu.Lock()
	cal := v.measured()
	v.mu.Unlock()
	if cal == nil {
		return "", bake.Refuse("nothing_measured", text.Values{"vessel": vessel})
	}
	m, err := MeasuredIn(a.setup.file, vessel, cal)
	if err != nil {
		return "", because("not_written", err)
	}
	if m.ID() != change {
		return "", bake.Refuse("other_change", nil)
	}
	if err := m.Write(); err != nil {
		return "", because("not_written", err)
	}
	v.mu.Lock()
	v.gauge.cal = nil
	v.mu.Unlock()
	a.log.Info("a vessel was measured", "vessel", vessel, "floor_mm", m.FloorMM, "profile", m.Profile)
	said := a.words.Say("page.level.written", text.Values{"floor": a.words.Number(m.FloorMM, 1)})
	if n := len(m.Profile); n > 0 {
		said += " " + a.words.Say("page.level.points", text.Values{"n": n})
	}
	fresh, err := config.Load(a.opt.Config.File, config.Sensors)
	if err != nil {
		return "", fmt.Errorf("what was measured is written to %s, but counts only after the next start: %w", a.opt.Config.File, err)
	}
	if rest := a.Reload(fresh); len(rest) > 0 {
		said += " " + a.words.Say("page.level.rest", text.Values{"what": strings.Join(rest, "; ")})
	}
	return said, nil
}
