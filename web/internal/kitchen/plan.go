package kitchen

import (
	"context"
	"time"

	"tidemark/bake"
	"tidemark/bake/planner"
	"tidemark/estimator"
	"tidemark/web"
)

// wish is what the invented household has.
func (k *Kitchen) wish(w web.PlanWish) planner.Wish {
	return planner.Wish{Now: w.Now, ReadyAt: w.ReadyAt, Batch: bake.DefaultBatch(), Room: planner.Place{C: w.AirC},
		Warm: planner.Place{C: w.WarmC}, NoFridge: w.NoFridge, Starter: planner.Starter{RipeUntil: w.RipeUntil}}
}

// Plan plans for the invented household from published values.
func (k *Kitchen) Plan(_ context.Context, w web.PlanWish) (web.Planned, error) {
	out := web.Planned{Vessel: w.Vessel, Title: bake.DefaultBatch().Name, From: "Worked from published values."}
	var err error
	out.Plans, err = planner.Make(k.wish(w))
	return out, err
}

// LeftOut says what becomes of a way's dough.
func (k *Kitchen) LeftOut(_ context.Context, w web.PlanWish, way string, until time.Time) (planner.Outlook, error) {
	o, err := planner.LeftOut(k.wish(w), way, until)
	if err != nil {
		err = web.Refuse("%v", err)
	}
	return o, err
}

// StaysOut says what becomes of the dough in a vessel.
func (k *Kitchen) StaysOut(_ context.Context, vessel string, until time.Time) (out, cold planner.Outlook, err error) {
	for _, v := range k.Snapshot().Vessels {
		if v.Name != vessel {
			continue
		}
		f := planner.Wish{Batch: bake.DefaultBatch()}.Fridge()
		if out, err = planner.StaysOut(v.Estimate, until, v.TargetPercent, nil); err == nil {
			cold, err = planner.StaysOut(v.Estimate, until, v.TargetPercent, &f)
		}
		if err != nil {
			err = web.Refuse("%v", err)
		}
		return out, cold, err
	}
	return out, cold, web.Refuse("there is no vessel named %q", vessel)
}

// follow lets a vessel follow a plan. The lock is held.
func (k *Kitchen) follow(v *web.Vessel, w web.PlanWish) {
	plans, err := planner.Make(k.wish(w))
	if err != nil {
		return
	}
	for _, p := range plans {
		if p.Name != w.Way {
			continue
		}
		pr := p.Adopted()
		v.Steps, v.Batch = pr.Steps(k.now, estimator.Estimate{Phase: estimator.Idle, AirC: v.Estimate.AirC}), pr.Name
		v.Plan = &web.PlanState{Way: p.Name, Wanted: w.ReadyAt, Planned: p.Ready, Ready: p.Ready, Pending: true}
	}
}
