package web

import (
	"context"
	"slices"
	"time"

	"tidemark/bake/planner"
	"tidemark/web/say"
)

// snapshot is the state with every text of it as the household writes moments and
// temperatures. Pages, events and the API all begin here.
func (s *Server) snapshot() Snapshot {
	snap := s.opt.Live.Snapshot()
	for i := range snap.Vessels {
		snap.Vessels[i].word(s.opt.House, snap.At)
	}
	return snap
}

// word puts the household's words into the texts of a vessel. What it points to is
// shared and copied first.
func (v *Vessel) word(h say.House, now time.Time) {
	v.Steps = h.Steps(v.Steps, now)
	v.Findings = h.Findings(v.Findings, now)
	if v.After != nil {
		a := *v.After
		a.Why, a.Caution = h.Text(a.Why, now), h.Text(a.Caution, now)
		v.After = &a
	}
	if v.Care != nil {
		c := *v.Care
		c.Basis = h.Text(c.Basis, now)
		v.Care = &c
	}
	if v.Plan != nil {
		p := *v.Plan
		p.Said = h.Text(p.Said, now)
		v.Plan = &p
	}
}

// wordedPlanner is a Planner whose texts have the household's words.
type wordedPlanner struct {
	Planner
	house say.House
}

// Plan plans a bake.
func (p wordedPlanner) Plan(ctx context.Context, w PlanWish) (Planned, error) {
	out, err := p.Planner.Plan(ctx, w)
	out.Plans = slices.Clone(out.Plans)
	for i := range out.Plans {
		x := &out.Plans[i]
		x.Why, x.Notes = p.house.Text(x.Why, w.Now), p.house.Texts(x.Notes, w.Now)
		x.Steps = p.house.Steps(x.Steps, w.Now)
	}
	return out, err
}

// LeftOut says what becomes of a planned dough that stays out.
func (p wordedPlanner) LeftOut(ctx context.Context, w PlanWish, way string, until time.Time) (planner.Outlook, error) {
	o, err := p.Planner.LeftOut(ctx, w, way, until)
	o.Text = p.house.Text(o.Text, w.Now)
	return o, err
}

// StaysOut says what becomes of a dough that rises now.
func (p wordedPlanner) StaysOut(ctx context.Context, vessel string, until time.Time) (warm, cold planner.Outlook, err error) {
	warm, cold, err = p.Planner.StaysOut(ctx, vessel, until)
	warm.Text, cold.Text = p.house.Text(warm.Text, until), p.house.Text(cold.Text, until)
	return warm, cold, err
}
