// Package kitchen is an invented kitchen for the tests of the page, the API and
// the metrics: a tub of dough, a jar of starter and an empty basket. Nothing in
// it was measured.
package kitchen

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/chart"
)

// Kitchen is a Live of invented data. Make one with New.
type Kitchen struct {
	mu      sync.Mutex
	zone    *time.Location
	start   time.Time // of the dough's rise
	now     time.Time
	seq     uint64
	nextID  int64
	vessels []web.Vessel
	system  web.System
	acts    []web.Act
	waiting map[chan struct{}]bool
	refuse  error
	curves  int
	past    *history.Store // keeps judgements; nil keeps none
}

// New returns the kitchen at 17:20 on an invented Saturday.
func New(zone *time.Location) *Kitchen {
	k := &Kitchen{zone: zone, start: time.Date(2026, 3, 14, 12, 0, 0, 0, zone), seq: 1, nextID: 10,
		waiting: map[chan struct{}]bool{}, system: web.System{Version: "test", ClockSet: true,
			StartedAt:            time.Date(2026, 3, 14, 6, 0, 0, 0, zone),
			NotificationsByState: map[string]int{"sent": 3, "waiting": 1}}}
	k.now = k.start.Add(5*time.Hour + 20*time.Minute)
	k.vessels = []web.Vessel{k.tub(), k.jar(), k.basket()}
	return k
}

// rise is the invented curve of the dough in percent, h hours after the start.
func rise(h float64) float64 {
	at := func(h float64) float64 { return 130 / (1 + math.Exp(-(h-5)/1.1)) }
	return at(h) - at(0)
}

// clock is a time of the invented Saturday.
func (k *Kitchen) clock(hour, minute int) time.Time {
	return time.Date(2026, 3, 14, hour, minute, 0, 0, k.zone)
}

func (k *Kitchen) tub() web.Vessel {
	e := estimator.Estimate{Time: k.now, Started: k.start, BaselineL: 1.4, LevelMM: 92, VolumeL: 2.44,
		RisePercent: rise(5 + 1.0/3), RiseSD: 1.1, RatePercentPerHour: 29, RateSD: 1, DoughC: 24.6, AirC: 21.3,
		TargetPercent: 100, ReachChance: 0.97, CeilingPercent: 129, CeilingLow: 118, CeilingHigh: 141,
		CarryOverPercent: 12, PeakPercent: rise(5 + 1.0/3), PeakAt: k.now, Phase: estimator.Rising,
		PhaseSince: k.clock(13, 40), PhaseReason: "the level has risen steadily", Quality: estimator.QualityOK,
		LastSeen: k.now, EquivalentHours: 5.5, Rejected: map[string]int{"jump": 4, "out of range": 2},
		Ready: estimator.Window{From: k.clock(18, 5), Median: k.clock(18, 20), Until: k.clock(18, 45)}}
	e.Fan = k.fan()
	return web.Vessel{Name: "tub", Holds: estimator.Dough, RiseID: 3, Lead: 30 * time.Minute, TargetPercent: 100,
		TargetName: "doubled", Batch: "Saturday wheat", Batches: []string{"Saturday wheat", "Rye mix"}, Estimate: e,
		Steps: []bake.Step{
			{ID: "fold-3", Name: "fold 3", Do: "Stretch and fold once more.", At: k.clock(14, 20), State: bake.Skipped, Finished: k.clock(14, 25), Why: "the dough was ahead of its time"},
			{ID: "preheat", Name: "preheat", Do: "Turn the oven on to 250 °C with the stone inside.", Caution: "Hot oven and stone: dry mitts, children away.",
				At: k.clock(17, 40), From: k.clock(17, 40), Until: k.clock(17, 40), State: bake.Waiting},
			{ID: "shape", Name: "shape", Do: "Divide and shape.", At: k.clock(18, 20), From: k.clock(18, 5), Until: k.clock(18, 45), State: bake.Waiting},
			{ID: "bake", Name: "bake", Do: "Load the loaves.", At: k.clock(20, 10), From: k.clock(19, 40), Until: k.clock(20, 50), State: bake.Waiting},
			{ID: "slice", Name: "slice", Do: "Slice once the crumb has set.", At: k.clock(22, 40), From: k.clock(22, 0), Until: k.clock(23, 20), State: bake.Waiting}},
		Alarms: []alert.Alarm{{ID: "a1", Kind: alert.TooHot, Vessel: "tub", RiseID: 3, State: alert.Acknowledged, Since: k.clock(15, 2),
			AckedAt: k.clock(15, 5), AckedBy: "page", Title: "Dough is warm", Text: "Dough is warm."}},
		Sensors: []web.SensorHealth{k.sensor("height", "distance"), k.sensor("dough", "temperature"), k.sensor("air", "temperature")},
		Deeds: []web.Deed{{ID: 4, At: k.start, Kind: web.ActStart}, {ID: 5, At: k.clock(13, 0), Kind: web.ActFold, CanUndo: true},
			{ID: 6, At: k.clock(13, 40), Kind: web.ActFold, CanUndo: true}}}
}

// fan is the invented forecast of the dough.
func (k *Kitchen) fan() []estimator.FanPoint {
	var out []estimator.FanPoint
	for m := 0; m <= 300; m += 10 {
		at := k.now.Add(time.Duration(m) * time.Minute)
		mid, spread := rise(at.Sub(k.start).Hours()), 1.5+float64(m)*0.08
		out = append(out, estimator.FanPoint{Time: at, P10Percent: mid - spread, P50Percent: mid, P90Percent: mid + spread})
	}
	return out
}

func (k *Kitchen) jar() web.Vessel {
	nan := math.NaN()
	lost := k.sensor("height", "distance")
	lost.Status, lost.Reason, lost.LastOK = "out_of_range", "the sensor answers nothing in range", k.clock(17, 2)
	lost.Readings = map[string]uint64{"ok": 4020, "out_of_range": 108}
	return web.Vessel{Name: "jar", Holds: estimator.Starter, RiseID: 4, Lead: 30 * time.Minute, TargetPercent: 150,
		Estimate: estimator.Estimate{Time: k.now, Started: k.clock(8, 0), BaselineL: 0.3, LevelMM: nan, VolumeL: nan,
			RisePercent: 171, RiseSD: 9, RatePercentPerHour: -6, DoughC: nan, AirC: 21.3, TargetPercent: 150, ReadyIsPast: true,
			ReachChance: nan, CeilingPercent: nan, CeilingLow: nan, CeilingHigh: nan, CarryOverPercent: nan,
			Ready:       estimator.Window{From: k.clock(14, 1), Median: k.clock(14, 2), Until: k.clock(14, 4)},
			PeakPercent: 184, PeakAt: k.clock(15, 30), Phase: estimator.Falling, PhaseSince: k.clock(16, 10),
			Quality: estimator.QualityGap, QualityReason: "the sensor answers nothing in range. Lid or cable?", LastSeen: k.clock(17, 2)},
		Alarms: []alert.Alarm{{ID: "a2", Kind: alert.SensorLost, Vessel: "jar", RiseID: 4, State: alert.Firing, Since: k.clock(17, 2),
			FiredAt: k.clock(17, 7), Title: "Not seeing the starter", Priority: 4,
			Text: "The jar has not been seen since 17:02: nothing in range. Look whether the lid is on or the cable is loose."}},
		Sensors: []web.SensorHealth{lost},
		Deeds:   []web.Deed{{ID: 7, At: k.clock(8, 0), Kind: web.ActFed}}}
}

func (k *Kitchen) basket() web.Vessel {
	nan := math.NaN()
	return web.Vessel{Name: "basket", Holds: estimator.Dough, Lead: 20 * time.Minute, TargetPercent: 80,
		Estimate: estimator.Estimate{Time: k.now, Phase: estimator.Idle, LevelMM: nan, VolumeL: nan, RisePercent: nan, RiseSD: nan,
			RatePercentPerHour: nan, RateSD: nan, DoughC: nan, AirC: 21.3, PeakPercent: nan, ReachChance: nan, Quality: estimator.QualityOK,
			CeilingPercent: nan, CeilingLow: nan, CeilingHigh: nan, CarryOverPercent: nan, TargetPercent: 80},
		Sensors: []web.SensorHealth{k.sensor("height", "distance")}}
}

func (k *Kitchen) sensor(name, quantity string) web.SensorHealth {
	return web.SensorHealth{Sensor: name, Quantity: quantity, Status: "ok", LastOK: k.now, ReadSeconds: 0.042,
		Readings: map[string]uint64{"ok": 4128}}
}

// Snapshot returns the state.
func (k *Kitchen) Snapshot() web.Snapshot {
	k.mu.Lock()
	defer k.mu.Unlock()
	s := web.Snapshot{Seq: k.seq, At: k.now, System: k.system}
	for _, v := range k.vessels {
		v.Deeds = append([]web.Deed(nil), v.Deeds...)
		v.Alarms = append([]alert.Alarm(nil), v.Alarms...)
		v.Steps = append([]bake.Step(nil), v.Steps...)
		s.Vessels = append(s.Vessels, v)
	}
	return s
}

// Subscribe returns a channel of changes.
func (k *Kitchen) Subscribe(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	k.mu.Lock()
	k.waiting[c] = true
	k.mu.Unlock()
	context.AfterFunc(ctx, func() {
		k.mu.Lock()
		defer k.mu.Unlock()
		delete(k.waiting, c)
		close(c)
	})
	return c
}

// Curve returns the invented line of a vessel.
func (k *Kitchen) Curve(_ context.Context, vessel string) ([]chart.Sample, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.curves++
	if vessel == "basket" {
		return nil, nil
	}
	return Curve(k.start, k.now), nil
}

// Curve is the invented line from a start until now.
func Curve(start, now time.Time) []chart.Sample {
	var out []chart.Sample
	for t := start; !t.After(now); t = t.Add(2 * time.Minute) {
		h := t.Sub(start).Hours()
		s := chart.Sample{Time: t, RisePercent: rise(h), SD: 1.1, DoughC: 24.2 + 0.5*math.Sin(h), AirC: 21.3 + 0.4*math.Cos(h)}
		if int(h*60)%50 == 40 {
			s.Rejected, s.RisePercent = true, s.RisePercent+22
		}
		out = append(out, s)
	}
	return out
}

// Act does what a person asked for, in memory.
func (k *Kitchen) Act(_ context.Context, a web.Act) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.refuse != nil {
		return k.refuse
	}
	if done, err := k.judge(a); done {
		return err
	}
	for i := range k.vessels {
		if v := &k.vessels[i]; v.Name == a.Vessel {
			if a.RiseID != 0 && a.RiseID != v.RiseID && a.Kind != web.ActJudgement && a.Kind != web.ActNote {
				return web.Refuse("The page showed an older rise; look again before you repeat that.")
			}
			k.acts = append(k.acts, a)
			k.apply(v, a)
			k.changed()
		}
	}
	return nil
}

// apply changes a vessel as an act asks.
func (k *Kitchen) apply(v *web.Vessel, a web.Act) {
	k.nextID++
	deed := web.Deed{ID: k.nextID, At: k.now, Kind: a.Kind, By: a.By, CanUndo: true}
	switch a.Kind {
	case web.ActUndo:
		k.undo(v, a.UndoID)
		return
	case web.ActAck, web.ActSnooze:
		k.answerAlarm(v, a)
		return
	case web.ActStart, web.ActFed:
		v.RiseID, v.Batch, v.Deeds = k.nextID, a.Batch, nil
		v.Estimate.Phase, v.Estimate.Started, v.Estimate.NoForecast = estimator.Settling, k.now, "20 minutes of rise are needed"
		v.Estimate.Ready = estimator.Window{}
	case web.ActFridge, web.ActCounter:
		v.InFridge = a.Kind == web.ActFridge
	case web.ActTarget:
		v.TargetPercent, v.Estimate.TargetPercent, v.TargetName = a.TargetPercent, a.TargetPercent, ""
		deed.Detail = fmt.Sprintf("%g %%", a.TargetPercent)
	case web.ActLook:
		deed.Detail = fmt.Sprintf("%g %%", *a.SeenPercent)
	case web.ActNote:
		deed.Detail = a.Note
	case web.ActPlan:
		k.follow(v, *a.Plan)
		deed.Detail = a.Plan.Way
	case web.ActStepDone, web.ActStepSkip:
		k.finish(v, a)
	case web.ActEnd, web.ActBaked:
		v.Estimate.Phase, v.Estimate.PhaseSince, v.RiseID, v.Steps = estimator.Idle, k.now, 0, nil
	case web.ActJudgement:
		return
	}
	v.Deeds = append(v.Deeds, deed)
}

func (k *Kitchen) undo(v *web.Vessel, id int64) {
	for i, d := range v.Deeds {
		if d.ID != id {
			continue
		}
		switch d.Kind {
		case web.ActFridge:
			v.InFridge = false
		case web.ActPlan:
			v.Plan, v.Steps, v.Batch = nil, nil, ""
		}
		v.Deeds = append(v.Deeds[:i:i], v.Deeds[i+1:]...)
		return
	}
}

func (k *Kitchen) answerAlarm(v *web.Vessel, a web.Act) {
	for i := range v.Alarms {
		if v.Alarms[i].ID != a.AlarmID {
			continue
		}
		v.Alarms[i].State, v.Alarms[i].AckedAt, v.Alarms[i].AckedBy = alert.Acknowledged, k.now, a.By
		if a.Kind == web.ActSnooze {
			v.Alarms[i].State, v.Alarms[i].SnoozedUntil = alert.Snoozed, k.now.Add(a.Snooze)
		}
	}
}

func (k *Kitchen) finish(v *web.Vessel, a web.Act) {
	for i := range v.Steps {
		if v.Steps[i].ID == a.StepID {
			v.Steps[i].State, v.Steps[i].Finished = bake.Done, k.now
			if a.Kind == web.ActStepSkip {
				v.Steps[i].State = bake.Skipped
			}
		}
	}
}

// changed tells everyone who waits. The lock is held.
func (k *Kitchen) changed() {
	k.seq++
	for c := range k.waiting {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// Change changes the state by hand and tells everyone.
func (k *Kitchen) Change(f func(now *time.Time, vessels []web.Vessel, system *web.System)) {
	k.mu.Lock()
	defer k.mu.Unlock()
	f(&k.now, k.vessels, &k.system)
	k.changed()
}

// RefuseActs makes every act fail with err; nil takes that back.
func (k *Kitchen) RefuseActs(err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.refuse = err
}

// Curves is how often a curve was asked for.
func (k *Kitchen) Curves() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.curves
}

// Acts are the acts that came, in order.
func (k *Kitchen) Acts() []web.Act {
	k.mu.Lock()
	defer k.mu.Unlock()
	return append([]web.Act(nil), k.acts...)
}
