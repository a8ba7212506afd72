package bake

import (
	"cmp"
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// Steps lays the process out as a timetable at the moment now, with what the
// vessel's estimate says. It changes nothing. Steps that slipped push the rest;
// steps driven by a rise follow the forecast; folds too near the mark are shown
// as skipped.
func (p *Process) Steps(now time.Time, est estimator.Estimate) []Step {
	l := layout{
		p: p, now: now, est: est, cursor: point(p.Started), sure: true,
		ends: map[string]estimator.Window{}, over: map[string]bool{},
	}
	out := make([]Step, len(p.Defs))
	for i, d := range p.Defs {
		if d.Trigger == Ahead {
			continue
		}
		if d.ID == BakeID && !p.closed(BakeID) {
			l.needs()
		}
		out[i] = l.step(d)
		l.ends[d.ID] = l.cursor
		l.over[d.ID] = !out[i].Open() && !out[i].Finished.IsZero() && !out[i].Finished.After(now)
	}
	for i, d := range p.Defs {
		if d.Trigger == Ahead {
			out[i] = l.ahead(d, out)
		}
	}
	return out
}

// record makes what Steps decided by itself permanent, so that a later
// forecast does not bring it back: folds dropped, rests that ran out. A rise that began
// in the vessel closes the steps before the bulk as well: the dough must have been mixed.
func (p *Process) record(now time.Time, est estimator.Estimate) {
	p.recordRise(est)
	for _, s := range p.Steps(now, est) {
		if s.Open() || p.closed(s.ID) || s.Finished.IsZero() || s.Finished.After(now) {
			continue
		}
		m := Mark{State: s.State, At: s.Finished, By: s.By}
		if len(s.Why) > 0 {
			m.Why = s.Why[0]
		}
		p.mark(s.ID, m)
	}
}

// recordRise closes what the vessel itself shows: a rise that began was mixed, a
// rise that was ended is the end of the bulk.
func (p *Process) recordRise(est estimator.Estimate) {
	if p.index(BulkID) < 0 || !p.beganHere(est.Started) {
		return
	}
	settle := func(id string, at time.Time, why string) {
		if !p.closed(id) {
			p.closeBefore(id, at)
			p.mark(id, Mark{State: Done, At: at, By: "sensor", Why: Said{Key: why}})
		}
	}
	settle(MixID, est.Started, "why.began")
	if est.Phase == estimator.Ended {
		settle(BulkID, est.PhaseSince, "why.ended")
	}
}

// beganHere reports whether a rise that began then can belong to this process.
func (p *Process) beganHere(began time.Time) bool {
	return !began.IsZero() && !began.Before(p.Started.Add(-time.Hour))
}

// layout is the walk along the steps.
type layout struct {
	p      *Process
	now    time.Time
	est    estimator.Estimate
	cursor estimator.Window // when the step before is, or will be, over
	sure   bool             // everything before is over, not merely expected
	ends   map[string]estimator.Window
	over   map[string]bool // done or skipped, by a person or by the clock
}

// step lays out one step that has its own place in the row.
func (l *layout) step(d StepDef) Step {
	s, m := l.worded(d), l.p.Marks[d.ID]
	at := shift(l.cursor, minutes(d.WaitMin))
	switch {
	case d.Trigger == ByRise:
		at, s.Why = l.rise(d)
	case d.ID == OutID:
		at, s.Why = l.takeOut(at)
	case d.ID == coolID && !l.p.Track.CoolBy.IsZero():
		s.Why = say("why.probe")
	}
	why := Said{}
	if d.fold() && m.State == "" {
		why = l.tooLate(at.Median)
	}
	switch {
	case m.State == Done:
		s.past(m)
		l.cursor = point(m.At)
	case m.State == Skipped:
		s.past(m)
		if d.Trigger == ByClock && d.WaitMin > 0 && l.sure {
			l.cursor = at // a fold left out keeps its place in the row
		}
	case why.Key != "":
		s.State, s.By, s.Why = Skipped, "forecast", Sentences{why}
		if !at.Median.After(l.now) {
			s.Finished = at.Median // before its time the forecast may still bring it back
		}
		s.setAt(at)
		l.cursor = at
	case d.Trigger == ByRise:
		l.rising(d, &s, at)
	default:
		l.clocked(d, &s, at, m)
	}
	return s
}

// past takes over what was told of a step.
func (s *Step) past(m Mark) {
	s.State, s.By, s.Finished, s.Why = m.State, m.By, m.At, nil
	if m.Why.Key != "" {
		s.Why = Sentences{m.Why}
	}
	s.setAt(point(begunOf(m)))
}

// rising places a step that waits for a rise which reaches its level in a window.
func (l *layout) rising(d StepDef, s *Step, at estimator.Window) {
	switch begun := l.over[d.since()]; {
	case begun && !at.Median.After(l.now):
		s.State = DueNow
		l.goOn(d, s)
	case begun:
		s.State = Started
	default:
		at = notBefore(at, l.now)
	}
	if m := l.p.Marks[d.ID]; m.State == Started {
		s.By = m.By
	}
	s.setAt(at)
	l.cursor, l.sure = notBefore(at, l.now), false
}

// clocked places a step that comes after the one before, in a window: one that was begun,
// or runs by itself, lasts its time, and one that needs hands is due until it is told.
func (l *layout) clocked(d StepDef, s *Step, at estimator.Window, m Mark) {
	due := (l.sure || d.ID == OutID && !l.p.Track.DoneAt.IsZero()) && !at.Median.After(l.now)
	begun := m.State == Started || due && !s.Hands
	if m.State == Started {
		at = point(m.Begun)
	}
	s.setAt(at)
	end := l.lasting(d, at)
	switch {
	case begun && !s.Hands && !end.Median.After(l.now):
		s.State, s.By, s.Finished = Done, "clock", end.Median
		l.cursor = point(end.Median)
		return
	case begun:
		s.State, s.By = Started, cmp.Or(m.By, "clock")
	case due:
		s.State, end = DueNow, point(l.now.Add(s.Takes))
		if l.now.Sub(at.Median) >= time.Minute {
			s.Why = append(s.Why, Said{"why.due", Values{"at": at.Median}})
		}
	}
	l.cursor, l.sure = notBefore(end, l.now), false
	if !d.UntilAt.IsZero() {
		s.Takes = l.cursor.Median.Sub(at.Median)
	}
}

// worded is a step with the words of its definition.
func (l *layout) worded(d StepDef) Step {
	s := Step{ID: d.ID, Trigger: d.Trigger, Takes: minutes(d.TakesMin), Hands: d.Hands, State: Waiting, Name: Said{Key: "step." + d.Key + ".name"}}
	if d.ID == OvenCheckID {
		s.Question = Said{Key: "step." + OvenCheckID + ".question"}
	}
	l.say(&s, d)
	return s
}

// say tells in a step what to do by a definition, and what the ingredients call for
// where they come in.
func (l *layout) say(s *Step, d StepDef) {
	s.Key, s.Do, s.Caution = d.Key, Said{"step." + d.Key + ".do", d.Values}, cautions(d.Warn...)
	if d.ID == MixID {
		s.Caution = append(s.Caution, l.p.Batch.Cautions()...)
	}
}

// goOn says what to do, and its caution, when the rise a step waits for is there: not
// to wait on.
func (l *layout) goOn(d StepDef, s *Step) {
	next := StepDef{Key: "proof.due", Warn: d.Warn}
	if i := l.p.index(d.ID) + 1; d.ID == BulkID && i < len(l.p.Defs) {
		next = l.p.Defs[i]
	}
	l.say(s, next)
}

// lasting is when a step that begins in a window is over. Cooling has a doubt
// of its own, and a probe in the loaf knows better.
func (l *layout) lasting(d StepDef, at estimator.Window) estimator.Window {
	switch {
	case d.ID == coolID && !l.p.Track.CoolBy.IsZero():
		return l.p.Track.CoolBy
	case !d.UntilAt.IsZero():
		return notBefore(point(d.UntilAt), at.Median)
	case d.Usual.MidMin == 0:
		return shift(at, minutes(d.TakesMin))
	}
	return d.Usual.after(at, 1)
}

// rise gives the window in which the mark of a stage is reached: from the estimate when
// it belongs to this stage, of a proof from what watches it, else from the usual time at
// the expected temperature. A dough with no rise left, or that falls, waits for nothing
// more.
func (l *layout) rise(d StepDef) (estimator.Window, Sentences) {
	since, e, t := l.ends[d.since()], &l.est, &l.p.Track
	over := e.Phase == estimator.Over && e.Exhausted || e.Phase == estimator.Fallen
	switch w := reaching(*e, d.RisePercent); {
	case !l.own(d, since.Median) && d.ID == ProofID && l.over[d.since()] && !t.ProofBy.IsZero():
		return t.ProofBy, Sentences{t.ProofWhy}
	case !l.own(d, since.Median):
		return l.usual(d, since), say("why.usual")
	case over && !e.ReadyIsPast, e.Phase == estimator.Ready && e.Ready.IsZero():
		return point(e.PhaseSince), nil
	case w.IsZero():
		return l.usual(d, since), say("why.usual.no_forecast")
	default:
		return w, nil
	}
}

// own reports whether the estimate is about the rise of this stage: that rise
// began when the stage did, or later.
func (l *layout) own(d StepDef, since time.Time) bool {
	began := l.est.Started
	switch {
	case began.IsZero() || !l.over[d.since()]:
		return false
	case d.ID == BulkID: // the mixing may have been ticked off late
		return l.p.beganHere(began)
	}
	return !began.Before(since.Add(-30 * time.Minute))
}

// usual is the stage's usual time, stretched by the temperature, and for a bulk by how
// much longer it takes to the mark of its vessel than to the one its usual time is for.
func (l *layout) usual(d StepDef, since estimator.Window) estimator.Window {
	b, mark := l.p.Batch, l.est.TargetPercent
	speed := Speed(cmp.Or(knownOr(l.est.AirC, 0), l.p.RoomC))
	if d.ID == BulkID && d.RisePercent == 0 && mark > 0 && len(b.Flours) > 0 {
		speed *= b.usualHours(usualMarkPercent) / b.usualHours(mark)
	}
	return d.Usual.after(since, speed)
}

// Speed is how fast a dough works at a temperature, relative to 24 C: midway
// between the two published responses of package kinetics (sourdough yeast,
// Ganzle 1998; S. cerevisiae by the cardinal model, Rosso 1993). 1 when the
// temperature is 0 or not a number, which means not known.
func Speed(c float64) float64 {
	if c == 0 || math.IsNaN(c) {
		return 1
	}
	ganzle := kinetics.Ganzle(c) / kinetics.Ganzle(kinetics.ReferenceC)
	ctmi := kinetics.Cerevisiae().Rate(c) / kinetics.Cerevisiae().Rate(kinetics.ReferenceC)
	return (max(kinetics.Floor, ganzle) + max(kinetics.Floor, ctmi)) / 2
}

// Dropping folds late in the bulk. Common practice, no source: the folds belong
// to the first part of the bulk; later they press out gas that does not come
// back before the mark.
const (
	lastFoldShare = 0.6              // of the way to the mark
	lastFoldAhead = 45 * time.Minute // before the mark
)

// tooLate says why a fold planned at t is left out; zero when it is not.
func (l *layout) tooLate(t time.Time) Said {
	bulk, ok := l.p.def(BulkID)
	if !ok || l.p.closed(BulkID) {
		return Said{}
	}
	at := Later(t, l.now)
	seen := l.own(bulk, l.ends[MixID].Median)
	if seen {
		switch l.est.Phase {
		case estimator.Near, estimator.Ready, estimator.Over, estimator.Fallen:
			return Said{Key: "why.fold.phase"}
		}
	}
	if end, _ := l.rise(bulk); end.Median.Sub(at) < lastFoldAhead {
		return Said{"why.fold.soon", Values{"at": end.Median, "span": lastFoldAhead}}
	}
	_, rise, _ := FanAt(l.est.Fan, at)
	goal := cmp.Or(bulk.RisePercent, l.est.TargetPercent)
	if rise = max(l.est.RisePercent, knownOr(rise, 0)); seen && goal > 0 && rise > lastFoldShare*goal {
		return Said{"why.fold.far", Values{"share_percent": 100 * rise / goal}}
	}
	return Said{}
}

// mostEarly bounds how much sooner than the middle of the forecast the oven is
// lit for the sake of an early proof.
const mostEarly = 20 * time.Minute

// needs delays the loading of the oven until what comes ahead of it, its heating, is over:
// when that was told, its time after it was switched on, or from now on.
func (l *layout) needs() {
	for _, a := range l.p.Defs {
		m, takes := l.p.Marks[a.ID], minutes(a.TakesMin)
		end := l.now.Add(takes)
		switch inTime := l.cursor.Median.Sub(l.now) > minutes(a.WaitMin); {
		case a.Trigger != Ahead || m.State == Skipped || m.State == "" && inTime:
			continue
		case m.State == Done && !m.Begun.IsZero():
			end = m.At
		case m.State != "":
			end = begunOf(m).Add(takes)
		}
		l.cursor = notBefore(l.cursor, end)
	}
}

// ahead places a step that comes so long before another. It is timed from the
// early half of that step's window: a hot oven can wait, dough cannot.
func (l *layout) ahead(d StepDef, all []Step) Step {
	s := l.worded(d)
	target := all[l.p.index(BakeID)]
	if m := l.p.Marks[d.ID]; m.State != "" {
		s.past(m)
		return s
	}
	early := Later(target.From.Add(target.At.Sub(target.From)/2), target.At.Add(-mostEarly))
	w := shift(estimator.Window{From: target.From, Median: early, Until: target.At}, -minutes(d.WaitMin))
	for _, x := range all { // hands that are full come first
		if end := x.At.Add(x.Takes); x.Hands && x.Trigger == ByClock && !w.Median.Before(x.At) && w.Median.Before(end) {
			w = notBefore(w, end)
		}
	}
	s.setAt(w)
	if !target.Open() {
		s.State, s.By, s.Finished, s.Why = Skipped, "tidemark", target.Finished, say("why.over")
		return s
	}
	if !s.At.After(l.now) {
		s.State = DueNow
	}
	return s
}
