package app

import (
	"context"
	"fmt"
	"reflect"
	"slices"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
)

// Reload takes over what may change while watching: marks, leads and the measures
// of the vessels. It returns what else differs from the configuration of
// the start and needs a restart, in words. The configuration was checked whole; nothing of a
// vessel is taken over by half.
func (a *App) Reload(fresh *config.Config) (needRestart []string) {
	needRestart = changedParts(a.opt.Config, fresh)
	for _, v := range fresh.Vessels {
		w := a.vessels[v.Name]
		if w == nil {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (new)", v.Name))
			continue
		}
		w.mu.Lock()
		restart := a.reload(w, v)
		w.mu.Unlock()
		if restart {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (sensors, batch or a mark by temperature)", v.Name))
		}
	}
	for _, name := range a.order {
		if !slices.ContainsFunc(fresh.Vessels, func(v config.Vessel) bool { return v.Name == name }) {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (gone)", name))
		}
	}
	a.updates.notify()
	return needRestart
}

// changedParts names what differs beside the vessels.
func changedParts(old, fresh *config.Config) []string {
	var changed []string
	for _, part := range []struct {
		name     string
		was, now any
	}{
		{"household", old.Household, fresh.Household}, {"state_dir", old.StateDir, fresh.StateDir},
		{"sysfs", old.Sysfs, fresh.Sysfs}, {"sample_every", old.SampleEvery, fresh.SampleEvery},
		{"web", old.Web, fresh.Web}, {"channels", old.Channels, fresh.Channels},
		{"heartbeat_url", old.Heartbeat, fresh.Heartbeat},
	} {
		if !reflect.DeepEqual(part.was, part.now) {
			changed = append(changed, part.name)
		}
	}
	return changed
}

// reload takes over a vessel's mark, lead and measures and reports whether anything
// else differs. New measures count for the rise under way too: its journal is folded
// again. A mark that somebody chose for the rise under way gives way to one that was
// changed in the file. v.mu is held.
func (a *App) reload(v *vessel, fresh config.Vessel) (restart bool) {
	was := v.config
	rest := was
	rest.TargetPercent, rest.Lead = fresh.TargetPercent, fresh.Lead
	rest.FloorMM, rest.Profile = fresh.FloorMM, fresh.Profile
	restart = !reflect.DeepEqual(rest, fresh)
	v.config.Lead = fresh.Lead
	if fresh.TargetPercent != was.TargetPercent && fresh.TargetTable == nil && was.TargetTable == nil {
		v.config.TargetPercent = fresh.TargetPercent
		a.note(v, bake.Event{Kind: bake.EventTarget, Detail: bake.Detail{TargetPercent: fresh.TargetPercent}})
	}
	if fresh.FloorMM != was.FloorMM || !reflect.DeepEqual(was.Profile, fresh.Profile) {
		v.config.FloorMM, v.config.Profile = fresh.FloorMM, fresh.Profile
		a.note(v, bake.Event{Kind: bake.EventMeasured})
	}
	v.session.Describe(a.describe(v.config, !a.opt.StartTold))
	a.foldAgain(v)
	return restart
}

// note enters what the settings changed into the journal of a rise under way. v.mu is
// held.
func (a *App) note(v *vessel, e bake.Event) {
	if v.state.RiseID == 0 {
		return
	}
	e.Vessel, e.RiseID, e.By = v.config.Name, v.state.RiseID, bySettings
	e.At = a.opt.Clock.Now()
	e.Told = e.At
	v.session.Apply(v.recorder.event(context.Background(), e, bake.Rise{}))
}

// bySettings signs what changed in the configuration.
const bySettings = "settings"
