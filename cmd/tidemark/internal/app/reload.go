package app

import (
	"reflect"

	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
)

// Reload takes over what may change while watching: marks, leads and the measures of the
// vessels. It reports whether anything else differs, which counts only when the watch
// begins anew. The configuration was checked whole.
func (a *App) Reload(fresh *config.Config) (restart bool) {
	defer a.updates.notify()
	was, now := *a.opt.Config, *fresh
	was.Vessels, now.Vessels, was.Notes, now.Notes = nil, nil, nil, nil
	restart = !reflect.DeepEqual(was, now) || len(fresh.Vessels) != len(a.order)
	for _, c := range fresh.Vessels {
		v, err := a.hold(c.Name)
		if err != nil {
			return true
		}
		restart = v.reload(c) || restart
		v.mu.Unlock()
	}
	return restart
}

// reload takes over a vessel's mark, lead and measures and reports whether anything
// else differs. New measures count for the rise under way too: its journal is folded
// again. A mark that somebody chose for the rise under way gives way to one that was
// changed in the file. v.mu is held.
func (v *vessel) reload(fresh config.Vessel) (restart bool) {
	was := v.config
	v.config.Lead, v.config.FloorMM, v.config.Profile = fresh.Lead, fresh.FloorMM, fresh.Profile
	if fresh.TargetTable == nil && was.TargetTable == nil {
		v.config.TargetPercent = fresh.TargetPercent
	}
	restart = !reflect.DeepEqual(v.config, fresh)
	if v.config.TargetPercent != was.TargetPercent {
		v.note(bake.Event{Kind: bake.EventTarget, Detail: bake.Detail{TargetPercent: fresh.TargetPercent}})
	}
	if fresh.FloorMM != was.FloorMM || !reflect.DeepEqual(was.Profile, fresh.Profile) {
		v.note(bake.Event{Kind: bake.EventMeasured})
	} else {
		v.config.Profile = was.Profile
	}
	v.session.Describe(v.app.describe(v.config, !v.app.opt.StartTold))
	v.foldAgain()
	return restart
}

// note enters what the settings changed into the journal of a rise under way. v.mu is
// held.
func (v *vessel) note(e bake.Event) {
	if v.state.RiseID == 0 {
		return
	}
	e.Vessel, e.RiseID, e.By, e.At = v.name, v.state.RiseID, bySettings, v.app.opt.Clock.Now()
	e.Told = e.At
	v.session.Apply(v.keepEvent(e, bake.Rise{}))
}

// bySettings signs what changed in the configuration.
const bySettings = "settings"
