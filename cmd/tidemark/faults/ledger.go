package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"tidemark/alert"
	"tidemark/history"
	"tidemark/sensor/sensortest/virtual"
)

// warning is one warning, whenever it came.
type warning struct{ vessel, kind string }

// telling is a warning with the moment, by the kitchen's time, at which it came.
type telling struct {
	warning
	at time.Time
}

// ledger is what a day gave.
type ledger struct {
	warnings []warning
	tellings []telling // as they were heard, where somebody listened
	rises    []history.Rise
	took     time.Duration
	log      []string // warnings and rises with their times, for a look at what went wrong
}

// hear adds a warning.
func (l *ledger) hear(now time.Time, w warning) {
	l.warnings = append(l.warnings, w)
	l.tellings = append(l.tellings, telling{w, now})
}

// openRises opens the history in dir to look at, with its rises.
func openRises(ctx context.Context, dir string) (*history.Store, []history.Rise, error) {
	s, err := history.Open(ctx, filepath.Join(dir, historyFile), history.Options{Guest: true, ReadOnly: true})
	if err != nil {
		return nil, nil, err
	}
	page, err := s.Rises(ctx, history.Filter{Limit: 500})
	if err != nil {
		return nil, nil, errors.Join(err, s.Close(ctx))
	}
	return s, page.Rises, nil
}

// close reads the rises and their warnings from the history in dir: what is kept
// there is what the household is told, once, also when the process that raised it
// died before it could say so.
func (l *ledger) close(ctx context.Context, dir string) error {
	s, rises, err := openRises(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close(ctx) }()
	l.rises, l.warnings, l.log = rises, nil, nil
	for _, r := range rises {
		alarms, err := s.Alarms(ctx, r.ID)
		acts, err2 := s.Acts(ctx, r.ID)
		if err := errors.Join(err, err2); err != nil {
			return err
		}
		l.log = append(l.log, fmt.Sprintf("rise %d of %s, %s to %s, %s since %s, start volume %.3f L", r.ID, r.Vessel, r.StartedAt.Format(time.TimeOnly), r.EndedAt.Format(time.TimeOnly),
			r.Phase, r.PhaseSince.Format(time.TimeOnly), r.BaselineL))
		for _, a := range acts {
			l.log = append(l.log, fmt.Sprintf("%s of %s, rise %d, at %s", a.Kind, r.Vessel, r.ID, a.At.Format(time.TimeOnly)))
		}
		for _, a := range alarms {
			l.warnings = append(l.warnings, warning{a.Vessel, string(a.Kind)})
			l.log = append(l.log, fmt.Sprintf("%s of %s, rise %d, told %s, %s", a.Kind, a.Vessel, a.RiseID, a.FiredAt.Format(time.TimeOnly), a.State))
		}
	}
	return nil
}

// undisturbed plays the day without a fault, on a clock that tells how long nobody
// watched: that is in the stretches for which absent is true; it may be nil.
func undisturbed(ctx context.Context, absent func(time.Time) bool) (ledger, error) {
	var l ledger
	began := time.Now()
	dir, err := os.MkdirTemp("", "tidemark-faults-")
	if err != nil {
		return l, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	story := household(dayOf(0))
	d, err := openWallDay(ctx, dir, story)
	if err != nil {
		return l, err
	}
	d.absent, d.heard = absent, l.hear
	if err := d.run(ctx, story.Until); err != nil {
		return l, err
	}
	if err := d.close(ctx); err != nil {
		return l, err
	}
	l.took = time.Since(began)
	return l, l.close(ctx, dir)
}

// about are warnings that tell of the fault itself: they are right when there
// was one, and belong to no undisturbed day.
func about() []string {
	return []string{string(alert.NobodyWatched), string(alert.DiskNearlyFull)}
}

// compare counts the warnings of got that plain has and got lacks, and those that
// got has too many. Warnings about the fault itself do not count.
func compare(plain, got []warning) (missed, tooMany []warning) {
	tooMany = slices.DeleteFunc(slices.Clone(got), func(w warning) bool { return slices.Contains(about(), w.kind) })
	for _, w := range plain {
		if i := slices.Index(tooMany, w); i >= 0 {
			tooMany = slices.Delete(tooMany, i, i+1)
		} else {
			missed = append(missed, w)
		}
	}
	return missed, tooMany
}

// lostRises counts the rises that the story begins before until and that are not
// in got: same vessel, start within two minutes.
func lostRises(story virtual.Scenario, until time.Time, got []history.Rise) int {
	return lostRisesOn(story, until, got, func(a virtual.Act) time.Time { return a.At })
}

// lostRisesOn is lostRises where the stored start of a rise stands elsewhere than
// the act that began it.
func lostRisesOn(story virtual.Scenario, until time.Time, got []history.Rise, stands func(virtual.Act) time.Time) int {
	n := 0
	for _, a := range story.Acts {
		if a.Event == "start" && a.At.Before(until) && !slices.ContainsFunc(got, func(g history.Rise) bool {
			return g.Vessel == a.Vessel && g.StartedAt.Sub(stands(a)).Abs() <= 2*time.Minute
		}) {
			n++
		}
	}
	return n
}

// add takes the outcome of one day into the row of the table.
func (r *result) add(plain, got ledger) {
	r.addWarnings(plain, got)
	story := household(dayOf(0))
	r.lostRises += lostRises(story, story.Until, got.rises)
}

// addWarnings takes the warnings of one day into the row of the table.
func (r *result) addWarnings(plain, got ledger) {
	missed, tooMany := compare(plain.warnings, got.warnings)
	r.missed += len(missed)
	r.falseAlarms += len(tooMany)
	for _, w := range missed {
		r.say("missed %s of %s", w.kind, w.vessel)
	}
	for _, w := range tooMany {
		r.say("false %s of %s", w.kind, w.vessel)
	}
}
