package app

import (
	"context"
	"sync"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
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
	for _, w := range a.order {
		v := w.forWeb(s.At, a.words)
		v.Alarms = a.alarmsOf(v.State)
		s.Vessels = append(s.Vessels, v)
	}
	return s
}

// forWeb copies what a page shows of a vessel.
func (v *vessel) forWeb(now time.Time, words *text.Localizer) web.Vessel {
	v.mu.Lock()
	defer v.mu.Unlock()
	out := web.Vessel{State: v.state, Sensors: v.readings.forWeb(words), NearMissed: v.evaluator.NearMissed(), AirHumidity: value(v.readings.fresh(humidityRole, now, freshFor))}
	out.Recipe = v.config.Batch
	if p := v.config.Profile; p != nil {
		out.HoldsL = p.Volume(p.TopMM())
	}
	if v.config.Batch != nil {
		out.Batches = []string{v.config.Batch.Name}
	}
	return out
}

// Curve returns the measured line of the rise under way.
func (a *App) Curve(_ context.Context, vessel string) ([]chart.Sample, error) {
	v, err := a.hold(vessel)
	if err != nil {
		return nil, err
	}
	defer v.mu.Unlock()
	if v.state.RiseID == 0 {
		return nil, nil
	}
	return past.Samples(v.rows()), nil
}

// rows is the measured line of the run under way, thinned for a picture. v.mu is
// held.
func (v *vessel) rows() []bake.Recorded {
	run := v.session.Journal()
	every := max(1, len(run.Samples)/curveSamples)
	var out []bake.Recorded
	for i, x := range run.Samples {
		if i%every == 0 || i == len(run.Samples)-1 {
			out = append(out, x)
		}
	}
	return out
}

// systemForWeb is the state of the service for the page and metrics.
func (a *App) systemForWeb() web.System {
	began, _ := a.span()
	s := web.System{Version: a.opt.Version, StartedAt: began, ClockSet: a.clockTrusted()}
	h := a.opt.Store.Health()
	s.StoreProblem, s.Notes = h.Problem, h.Notes
	s.RowsWaiting, s.LastCommit, s.RowsDropped = h.WaitingRows, h.LastCommit, h.DroppedRows
	_, s.ChannelProblems = a.manager.Deliveries()
	s.SamplesLate = a.samplesLate.Load()
	if b := a.heartbeat.Load(); b != nil {
		s.HeartbeatAt = b.Last()
	}
	s.NotificationsByState = *a.notifications.Load()
	return s
}
