package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"tidemark/web"
	"tidemark/web/chart"
	"tidemark/web/past"
)

// curveSamples bounds the measured line handed to a page.
const curveSamples = 1000

// bell tells subscribers that something changed. A slow one misses signals,
// never states.
type bell struct {
	mu   sync.Mutex
	seq  uint64
	subs map[chan struct{}]bool
}

// ring signals every subscriber.
func (b *bell) ring() {
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

// count returns how often the bell was rung.
func (b *bell) count() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.seq
}

// subscribe returns a channel that is signalled until ctx ends.
func (b *bell) subscribe(ctx context.Context) <-chan struct{} {
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
func (a *App) Subscribe(ctx context.Context) <-chan struct{} { return a.bell.subscribe(ctx) }

// Snapshot returns the state of all vessels.
func (a *App) Snapshot() web.Snapshot {
	s := web.Snapshot{Seq: a.bell.count(), At: a.opt.Clock.Now(), System: a.systemForWeb()}
	for _, name := range a.order {
		v := a.pipes[name].forWeb()
		v.Alarms = a.alarmsOf(name)
		s.Vessels = append(s.Vessels, v)
	}
	return s
}

// forWeb copies what a page shows of a vessel.
func (p *pipe) forWeb() web.Vessel {
	p.mu.Lock()
	defer p.mu.Unlock()
	v := web.Vessel{
		Name: p.vessel.Name, Holds: p.vessel.Holds, RiseID: p.rise.ID, Demo: p.demo, Lead: p.vessel.Lead,
		TargetPercent: p.last.TargetPercent, TargetName: past.MarkName(p.last.TargetPercent), InFridge: p.cold,
		Estimate: p.last, Steps: slices.Clone(p.steps),
		Sensors: p.health.forWeb(), AirHumidity: value(p.taken.fresh(humidityRole, p.last.Time, freshFor)), Deeds: slices.Clone(p.deeds),
	}
	if p.vessel.Batch != nil {
		v.Batches = []string{p.vessel.Batch.Name}
	}
	if p.process != nil {
		v.Batch = p.process.Name
	} else {
		v.Batch = past.BatchName(p.rise)
	}
	v.After, v.Care, v.ProofOf, v.ProofBasis = p.after, p.care, p.link.of, p.link.as
	v.Findings, v.Feed = p.keeping.findings, p.feedShown()
	v.Plan = p.planForWeb()
	return v
}

// Curve returns the measured line of the rise under way.
func (a *App) Curve(ctx context.Context, vessel string) ([]chart.Sample, error) {
	p, err := a.pipe(vessel)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	id, started := p.rise.ID, p.rise.StartedAt
	p.mu.Unlock()
	if id == 0 || a.opt.Store == nil {
		return nil, nil
	}
	rows, err := a.opt.Store.ThinRows(ctx, id, started, time.Time{}, curveSamples)
	if err != nil {
		return nil, err
	}
	return past.Samples(rows), nil
}
