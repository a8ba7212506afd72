package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/cmd/tidemark/internal/config"
	"tidemark/cmd/tidemark/internal/settings"
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
	empty   survey.Level
	seen    bool // the empty vessel was measured
	remarks []string
	pours   []web.LevelPoint
}

// newGauge makes the gauge of a vessel.
func newGauge(conf sensor.Config) *gauge {
	return &gauge{conf: conf, interval: &sensor.Interval{}, next: make(chan sensor.Reading, 1)}
}

// show hands the newest reading on. Only the bus's goroutine calls it.
func (g *gauge) show(r sensor.Reading) {
	select {
	case <-g.next: // nobody took the one before
	default:
	}
	select {
	case g.next <- r:
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
		return r.Fault(sensor.Stale, "no reading came in time; look at the sensors on the page")
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
		g.forget()
		return false
	}
	return true
}

// forget drops what was measured. The vessel's lock is held.
func (g *gauge) forget() {
	g.cal, g.seen, g.remarks, g.pours = nil, false, nil, nil
}

// begin takes the gauge for one level. It refuses what cannot be measured now.
func (v *vessel) begin(now time.Time) (*gauge, *survey.Calibration, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if why := v.levelBlocked(); why != "" {
		return nil, nil, web.Refuse("%s", why)
	}
	g := v.gauge
	if g.busy {
		return nil, nil, web.Refuse("Somebody else measures %s at this moment; wait for it.", v.config.Name)
	}
	v.levelling(now) // forgets what is too old
	if g.cal == nil {
		g.cal = survey.NewCalibration(g, g.conf, InsideOf(v.config), g.length())
		v.waitForAPerson()
	}
	select {
	case <-g.next: // from before the vessel was put there
	default:
	}
	g.busy, g.touched = true, now
	g.interval.Set(levelEvery)
	return g, g.cal, nil
}

// levelBlocked says why the vessel cannot be measured; empty when it can. v.mu is
// held.
func (v *vessel) levelBlocked() string {
	switch {
	case v.gauge == nil:
		return fmt.Sprintf("No sensor is read over %s here, so there is nothing to measure with.", v.config.Name)
	case v.state.RiseID != 0:
		return fmt.Sprintf("A rise is being watched in %s. Measure between two rises, with the vessel empty.", v.config.Name)
	}
	return ""
}

// waitForAPerson lets no rise begin by itself: the vessel is empty, or full of water.
// v.mu is held and no rise is under way.
func (v *vessel) waitForAPerson() {
	_ = v.session.Wait() // it was built with the same before
}

// done gives the gauge back after one level.
func (v *vessel) done(g *gauge, now time.Time) {
	g.interval.Set(0)
	v.mu.Lock()
	defer v.mu.Unlock()
	g.busy, g.touched = false, now
}

// measure takes one level of a vessel.
func (a *App) measure(name string, level func(v *vessel, g *gauge, cal *survey.Calibration) error) error {
	v, err := a.vessel(name)
	if err != nil {
		return web.Refuse("%v", err)
	}
	g, cal, err := v.begin(a.opt.Clock.Now())
	if err != nil {
		return err
	}
	err = level(v, g, cal)
	v.done(g, a.opt.Clock.Now())
	if err != nil {
		return web.Refuse("Not measured: %v.", strings.TrimRight(err.Error(), "."))
	}
	return nil
}

// LevelEmpty measures the empty vessel, for web.Leveller.
func (a *App) LevelEmpty(ctx context.Context, name string) error {
	return a.measure(name, func(v *vessel, g *gauge, cal *survey.Calibration) error {
		l, remarks, err := cal.Empty(ctx)
		if err != nil {
			return err
		}
		v.mu.Lock()
		defer v.mu.Unlock()
		g.empty, g.seen, g.remarks, g.pours = l, true, remarks, nil
		return nil
	})
}

// LevelPour measures after water was poured in, for web.Leveller.
func (a *App) LevelPour(ctx context.Context, name string, totalL float64) error {
	return a.measure(name, func(v *vessel, g *gauge, cal *survey.Calibration) error {
		height, err := cal.Pour(ctx, totalL)
		if err != nil {
			return err
		}
		v.mu.Lock()
		defer v.mu.Unlock()
		g.pours = append(g.pours, web.LevelPoint{VolumeL: totalL, HeightMM: height})
		return nil
	})
}

// LevelEnd forgets what was measured, for web.Leveller.
func (a *App) LevelEnd(vessel string) error {
	v, err := a.vessel(vessel)
	if err != nil {
		return web.Refuse("%v", err)
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.gauge == nil {
		return nil
	}
	if v.gauge.busy {
		return web.Refuse("Somebody measures %s at this moment; wait for it.", vessel)
	}
	v.gauge.forget()
	return nil
}

// Level tells how far the measuring of a vessel is, for web.Leveller.
func (a *App) Level(vessel string) (web.Level, error) {
	v, err := a.vessel(vessel)
	if err != nil {
		return web.Level{}, web.Refuse("%v", err)
	}
	v.mu.Lock()
	l := v.levelForWeb()
	cal := v.measured()
	v.mu.Unlock()
	if cal == nil {
		return l, nil
	}
	what, err := a.whatToWrite(vessel, cal)
	if err != nil {
		l.Remarks = append(l.Remarks, "it cannot be written: "+strings.TrimRight(err.Error(), "."))
		return l, nil
	}
	if what.toTheRim {
		l.Remarks = append(l.Remarks, "above the last level of water the shape is taken from the one in force, because dough may stand higher")
	}
	for _, x := range what.profile {
		l.Profile = append(l.Profile, web.LevelPoint{HeightMM: x[0], VolumeL: x[1]})
	}
	l.Change = &web.LevelChange{ID: what.id(), File: a.opt.Config.File, Backup: a.setup.file.Backup(what.text), Before: what.before, After: what.after}
	return l, nil
}

// levelForWeb is what is known without looking at files. v.mu is held.
func (v *vessel) levelForWeb() web.Level {
	l := web.Level{FloorMM: v.config.FloorMM, TopMM: v.config.Profile.TopMM(), Blocked: v.levelBlocked(), Old: pointsAlong(v.config.Profile)}
	g := v.gauge
	if g == nil {
		return l
	}
	l.Sensor, l.Seconds, l.Busy = sensor.Describe(g.conf), g.length().Seconds(), g.busy
	l.Remarks, l.Pours = slices.Clone(g.remarks), slices.Clone(g.pours)
	if g.seen {
		e := g.empty
		l.Empty = &web.LevelReading{MM: e.MM, SpreadMM: e.SpreadMM, SDMM: e.SDMM, Usable: e.Usable, Missed: e.Missed}
	}
	return l
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
	if g == nil || !g.seen || g.busy {
		return nil
	}
	return g.cal
}

// toWrite is a measured vessel with what it changes in the configuration.
type toWrite struct {
	floorMM       float64
	profile       [][2]float64 // height mm, litres; nil leaves the shape
	toTheRim      bool
	changes       []settings.Change
	version       string // of the file that changes
	text          []byte // of the changed file
	before, after []string
}

// id names exactly this change.
func (w toWrite) id() string {
	sum := sha256.Sum256([]byte(w.version + "\x00" + string(w.text)))
	return hex.EncodeToString(sum[:8])
}

// whatToWrite works out what would be written, from the configuration as the file
// has it now.
func (a *App) whatToWrite(vessel string, cal *survey.Calibration) (w toWrite, err error) {
	if w.floorMM, w.profile, err = cal.Result(); err != nil {
		return w, err
	}
	inForce, err := config.Load(a.opt.Config.File, config.Sensors)
	if err != nil {
		return w, err
	}
	rest, err := inForce.Vessel(vessel)
	if err != nil {
		return w, err
	}
	if w.profile == nil && rest.Profile.TopMM() > w.floorMM {
		return w, fmt.Errorf("the floor is %g mm away, but the vessel is %g mm high in force: look for something in the sensor's view, or pour water to measure the shape too", w.floorMM, rest.Profile.TopMM())
	}
	if w.profile == nil {
		w.profile = config.MeasuredProfile(a.opt.Config.StateDir, rest) // measured before there was one file for all
	} else {
		w.profile, w.toTheRim = ToTheRim(w.profile, rest.Profile)
	}
	now, err := a.setup.file.Read()
	if err != nil {
		return w, err
	}
	if w.changes, err = settings.Measures(now, vessel, w.floorMM, w.profile); err != nil {
		return w, err
	}
	w.version = now.Version
	if w.text, err = settings.Edit(now.Text, w.changes); err != nil {
		return w, err
	}
	w.before, w.after = Differing(string(now.Text), string(w.text))
	return w, nil
}

// LevelWrite writes what was measured into the configuration and puts it in force by
// the way of every reload, for web.Leveller.
func (a *App) LevelWrite(_ context.Context, vessel, change string) (string, error) {
	v, err := a.vessel(vessel)
	if err != nil {
		return "", web.Refuse("%v", err)
	}
	v.mu.Lock()
	cal := v.measured()
	v.mu.Unlock()
	if cal == nil {
		return "", web.Refuse("Nothing was measured in %s yet; measure the empty vessel first.", vessel)
	}
	what, err := a.whatToWrite(vessel, cal)
	if err != nil {
		return "", web.Refuse("It cannot be written: %v.", strings.TrimRight(err.Error(), "."))
	}
	if what.id() != change {
		return "", web.Refuse("That is not what would be written now: the file or the measurement changed since it was shown. Look at the change again.")
	}
	if _, err := a.setup.file.Save(what.version, what.changes...); err != nil {
		return "", web.Refuse("Not written: %v.", err)
	}
	if err := config.ForgetMeasured(a.opt.Config.StateDir, vessel); err != nil {
		a.log.Warn("an older measurement could not be taken out; it stands only over what it was made for", "error", err)
	}
	return a.takeLevel(v, what)
}

// takeLevel puts a written level in force.
func (a *App) takeLevel(v *vessel, what toWrite) (string, error) {
	v.mu.Lock()
	v.gauge.forget()
	v.mu.Unlock()
	said := fmt.Sprintf("Written and in force: the floor is %g mm away", what.floorMM)
	if n := len(what.profile); n > 0 {
		said += fmt.Sprintf(", the shape has %d points", n)
	}
	a.log.Info("a vessel was measured", "vessel", v.config.Name, "floor_mm", what.floorMM, "profile", what.profile)
	fresh, err := config.Load(a.opt.Config.File, config.Sensors)
	if err != nil {
		return "", fmt.Errorf("what was measured is written to %s, but counts only after the next start: %w", a.opt.Config.File, err)
	}
	if rest := a.Reload(fresh); len(rest) > 0 {
		said += "; other changes in the configuration wait for a restart (" + strings.Join(rest, "; ") + ")"
	}
	return said + ".", nil
}
