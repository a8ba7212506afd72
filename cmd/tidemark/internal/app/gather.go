package app

import (
	"context"

	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/history"
	"tidemark/web"
)

// gatherer is a diary that holds back what an act changes of a rise, so that it is
// stored together with the act. A process that is killed in between has not done the
// act: whoever did it sees so on the page and does it again, and it counts once.
type gatherer struct {
	*diary
	deed history.Deed
}

// begin starts a rise at once: what follows needs its number. What was held back was
// about another.
func (g *gatherer) begin(r history.Rise) int64 {
	g.release()
	return g.diary.begin(r)
}

// row holds back events; samples go their way.
func (g *gatherer) row(riseID int64, r history.Row) {
	if r.Event == estimator.NoEvent {
		g.diary.row(riseID, r)
		return
	}
	g.deed.Events = append(g.deed.Events, history.RiseRow{RiseID: riseID, Row: r})
}

// update holds back the state of the rise.
func (g *gatherer) update(r history.Rise) { g.deed.Rise = &r }

// end holds back the end of the rise.
func (g *gatherer) end(r history.Rise) { g.deed.Rise = &r }

// reopen holds back that a rise goes on.
func (g *gatherer) reopen(r history.Rise) { g.deed.Rise, g.deed.Reopened = &r, true }

// process holds back the steps.
func (g *gatherer) process(riseID int64, p bake.Process) {
	body := g.encode(riseID, p)
	if body == nil {
		return
	}
	if g.deed.Processes == nil {
		g.deed.Processes = map[int64][]byte{}
	}
	g.deed.Processes[riseID] = body
}

// keep stores the act with what was held back and returns its number. The vessel has
// changed already, so storing is not called off when whoever asked has gone. A history
// that takes nothing is logged and told by its Health, as with samples: the act is done
// all the same, and its number is 0.
func (g *gatherer) keep(ctx context.Context, act history.Act) int64 {
	d := g.deed
	d.Act = act
	id, err := g.store.KeepDeed(context.WithoutCancel(ctx), d)
	g.report("act", act.RiseID, err)
	if err != nil {
		return 0
	}
	if len(d.Events) > 0 {
		g.store.FlushSoon() // the samples before them as well
	}
	g.deed = history.Deed{}
	return id
}

// release stores what is still held back, as far as the history takes it: what an act
// did to the vessel stays done where there is no rise to store the act with, or where
// storing it failed.
func (g *gatherer) release() {
	d := g.deed
	g.deed = history.Deed{}
	for _, e := range d.Events {
		g.diary.row(e.RiseID, e.Row)
	}
	for id, body := range d.Processes {
		g.report("steps", id, g.store.SaveProcess(context.Background(), id, body))
	}
	switch r := d.Rise; {
	case r == nil:
	case d.Reopened:
		g.report("rise that goes on", r.ID, g.store.ReopenRise(context.Background(), r.ID))
	case r.UnderWay():
		g.diary.update(*r)
	default:
		g.diary.end(*r)
	}
}

// gathering lets do change the vessel for an act, with what that changes held back
// until g keeps it. g is nil where nothing is stored. For a start nothing is held back:
// it ends a rise and begins another.
func (p *pipe) gathering(kind web.ActKind, do func(g *gatherer) error) error {
	d, stored := p.keep.(*diary)
	if !stored {
		return do(nil)
	}
	g := &gatherer{diary: d}
	if eventOf(kind) == estimator.Start {
		return do(g)
	}
	p.keep = g
	defer func() {
		p.keep = d
		g.release()
	}()
	return do(g)
}
