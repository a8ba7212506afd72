package app

import (
	"fmt"
	"reflect"
	"slices"

	"tidemark/cmd/tidemark/internal/config"
)

// Reload takes over what may change while watching: marks, leads and the measures
// of the vessels. A rise under way keeps the measures it began with; the new ones
// count when it is over. It returns what else differs from the configuration of
// the start and needs a restart, in words. The configuration was checked whole; nothing of a
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
			needRestart = append(needRestart, fmt.Sprintf("vessel %s (sensors, batch or a mark by temperature)", v.Name))
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

// reload takes over a vessel's mark, lead and measures and says whether anything
// else differs. A mark that somebody chose by hand for the rise under way gives way
// to a mark that was changed in the file.
func (p *pipe) reload(v config.Vessel) (restart bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rest := p.vessel
	rest.TargetPercent, rest.Lead = v.TargetPercent, v.Lead
	rest.FloorMM, rest.Profile, rest.Configured = v.FloorMM, v.Profile, v.Configured
	restart = !reflect.DeepEqual(rest, v) || p.reshape(v) != nil
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

// reshape takes over a vessel's measures: at once, or after the rise under way,
// whose start was measured with the old ones.
func (p *pipe) reshape(v config.Vessel) error {
	p.vessel.Configured, p.nextShape = v.Configured, nil
	if v.FloorMM == p.vessel.FloorMM && sameShape(p.vessel, v) {
		return nil
	}
	p.nextShape = &v
	if p.rise.ID != 0 {
		return nil
	}
	return p.takeShape()
}

// takeShape puts measures that wait in force. No rise may be under way.
func (p *pipe) takeShape() error {
	v := p.nextShape
	if v == nil {
		return nil
	}
	old := p.vessel
	p.nextShape = nil
	p.vessel.FloorMM, p.vessel.Profile = v.FloorMM, v.Profile
	p.autoStart = p.autoStart && p.last.Started.IsZero() // a later rise is started by a person
	est, err := p.newEstimator()
	if err != nil {
		p.vessel = old
		return err
	}
	p.est = est
	return nil
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
