package app

import (
	"context"
	"fmt"
	"sync"
	"time"

	"tidemark/bake"
	"tidemark/history"
	"tidemark/web"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// curveSamples bounds the measured line handed to a page.
const curveSamples = 1000

// broadcaster tells subscribers that something changed. A slow one misses signals,
// never states.
type broadcaster struct {
	mu   sync.Mutex
	seq  uint64
	subs map[chan struct{}]bool
}

// notify signals every subscriber.
func (b *broadcaster) notify() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seq++
	for ch := range b.subs {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

// count returns how often it was notified.
func (b *broadcaster) count() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.seq
}

// subscribe returns a channel that is signalled until ctx ends.
func (b *broadcaster) subscribe(ctx context.Context) <-chan struct{} {
	ch := make(chan struct{}, 1)
	b.mu.Lock()
	if b.subs == nil {
		b.subs = map[chan struct{}]bool{}
	}
	b.subs[ch] = true
	b.mu.Unlock()
	context.AfterFunc(ctx, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.subs, ch)
	})
	return ch
}

// Subscribe returns a channel that receives after every change.
func (a *App) Subscribe(ctx context.Context) <-chan struct{} { return a.updates.subscribe(ctx) }

// Snapshot returns the state of all vessels.
func (a *App) Snapshot() web.Snapshot {
	s := web.Snapshot{Seq: a.updates.count(), At: a.opt.Clock.Now(), System: a.systemForWeb()}
	for _, name := range a.order {
		v := a.vessels[name].forWeb(s.At)
		v.Alarms = a.alarmsOf(name)
		s.Vessels = append(s.Vessels, v)
	}
	return s
}

// forWeb copies what a page shows of a vessel.
func (v *vessel) forWeb(now time.Time) web.Vessel {
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.state
	out := web.Vessel{
		State: s, Name: v.config.Name, Holds: v.config.Holds, RiseID: s.RiseID, Demo: s.Demo, Lead: s.Lead,
		TargetPercent: s.Estimate.TargetPercent, TargetName: past.MarkName(s.Estimate.TargetPercent), InFridge: s.InFridge,
		Estimate: s.Estimate, Steps: s.Steps, Batch: s.Batch,
		Sensors: v.readings.forWeb(), AirHumidity: value(v.readings.fresh(humidityRole, now, freshFor)), Deeds: deedsOf(s.Events),
		After: s.After, Care: s.Care, ProofOf: s.ProofOf, ProofBasis: s.ProofBasis, Findings: s.Findings, Feed: s.Feed, Plan: s.Plan,
	}
	if v.config.Batch != nil {
		out.Batches = []string{v.config.Batch.Name}
	}
	return out
}

// deedsOf turns events into what the page lists.
func deedsOf(events []bake.Event) []web.Deed {
	var out []web.Deed
	for _, e := range events {
		if e.Kind != bake.EventReplan { // the plan itself tells
			out = append(out, web.Deed{ID: e.ID, At: e.At, Kind: web.ActKind(e.Kind), By: e.By, CanUndo: e.Kind.CanUndo(), Detail: detail(e), TargetPc: e.TargetPercent})
		}
	}
	return out
}

// detail is what to show of an event beside its kind.
func detail(e bake.Event) string {
	switch {
	case e.Kind == bake.EventTarget:
		return fmt.Sprintf("%g %%", e.TargetPercent)
	case e.Kind == bake.EventLook:
		return fmt.Sprintf("%g %%", e.SeenPercent)
	case e.Kind.Marks():
		return e.StepID
	case e.Kind == bake.EventNote:
		return e.Note
	case e.Kind == bake.EventJudged:
		return past.OutcomeWord(e.Outcome)
	case e.Kind == bake.EventPlan && e.Plan != nil:
		return e.Plan.Way
	}
	return ""
}

// Curve returns the measured line of the rise under way.
func (a *App) Curve(_ context.Context, vessel string) ([]chart.Sample, error) {
	v, err := a.vessel(vessel)
	if err != nil {
		return nil, err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.state.RiseID == 0 {
		return nil, nil
	}
	return past.Samples(v.rows()), nil
}

// rows is the measured line of the run under way, thinned for a picture. v.mu is
// held.
func (v *vessel) rows() []history.Row {
	run := v.session.Journal()
	every := max(1, len(run.Samples)/curveSamples)
	var out []history.Row
	for i, x := range run.Samples {
		if i%every == 0 || i == len(run.Samples)-1 {
			out = append(out, history.Row{Time: x.Time, DistanceMM: x.DistanceMM, DoughC: x.DoughC, AirC: x.AirC, RisePercent: x.RisePercent,
				RiseSD: x.RiseSD, EquivHours: x.EquivalentHours, Rejected: x.Rejected})
		}
	}
	return out
}
