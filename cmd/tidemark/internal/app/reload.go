package app

import (
	"fmt"
	"reflect"
	"slices"

	"tidemark/cmd/tidemark/internal/config"
)

// Reload takes over what may change while watching: marks and leads of the
// vessels. It returns what else differs from the configuration of the start and
// needs a restart, in words. The configuration was checked whole; nothing of a
// vessel is taken over by half.
func (a *App) Reload(fresh *config.Config) (needRestart []string) {
	needRestart = changedParts(a.opt.Config, fresh)
	for _, v := range fresh.Vessels {
		p := a.pipes[v.Name]
		if p == nil {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (new)", v.Name))
			continue
		}
		if p.reload(v) {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (sensors, shape, batch or a mark by temperature)", v.Name))
		}
	}
	for _, name := range a.order {
		if !slices.ContainsFunc(fresh.Vessels, func(v config.Vessel) bool { return v.Name == name }) {
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (gone)", name))
		}
	}
	a.bell.ring()
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

// reload takes over a vessel's mark and lead and says whether anything else
// differs. A mark that somebody chose by hand for the rise under way gives way
// to a mark that was changed in the file.
func (p *pipe) reload(v config.Vessel) (restart bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rest := p.vessel
	rest.TargetPercent, rest.Lead, rest.Profile = v.TargetPercent, v.Lead, v.Profile
	if !reflect.DeepEqual(rest, v) || !sameShape(p.vessel, v) {
		restart = true
	}
	if v.TargetPercent != p.vessel.TargetPercent && v.TargetTable == nil && p.vessel.TargetTable == nil {
		p.vessel.TargetPercent = v.TargetPercent
		p.est.SetTarget(v.TargetPercent)
		if p.rise.ID != 0 {
			p.rise.TargetPercent = v.TargetPercent
			p.keep.update(p.rise)
		}
	}
	if v.Lead != p.vessel.Lead {
		p.vessel.Lead = v.Lead
		p.est.SetLead(v.Lead)
	}
	return restart
}

// sameShape compares two profiles by the volumes they give.
func sameShape(x, y config.Vessel) bool {
	if x.Profile.TopMM() != y.Profile.TopMM() {
		return false
	}
	for i := 1; i <= 8; i++ {
		h := x.Profile.TopMM() * float64(i) / 8
		if x.Profile.Volume(h) != y.Profile.Volume(h) {
			return false
		}
	}
	return true
}
