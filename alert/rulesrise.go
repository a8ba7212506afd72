package alert

import (
	"cmp"
	"math"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// near: the mark is less than the lead away. The condition is seen a hold time
// early, so that the warning comes at the lead and a single bad forecast, which
// does not last that long, does not raise it.
func near(l *look) []finding {
	if !l.watched || atMark(l) || l.spent() {
		return []finding{{kind: Near}}
	}
	hold := l.w.rules.NearHold
	ready := l.e.Ready
	var on, ripe bool
	switch {
	case l.ahead():
		left := ready.Median.Sub(l.Now)
		on, ripe = left <= l.Lead+hold, left <= l.Lead
	case l.e.Phase == estimator.Near:
		on, ripe = true, true
	}
	if l.open(Near) { // stays told, and follows the forecast wherever it goes
		on, ripe = true, true
	}
	return []finding{{kind: Near, on: on, ripe: ripe, reason: WithinLead, hold: hold, at: l.moment(), say: func() words { return sayNear(l) }}}
}

// ahead reports whether the forecast names a moment still to come.
func (l *look) ahead() bool {
	return !l.e.Ready.IsZero() && l.Now.Sub(l.e.Ready.Median) < l.w.rules.NearHold
}

// moment is what a near warning names; zero when there is nothing to name.
func (l *look) moment() time.Time {
	if l.ahead() {
		return l.e.Ready.Median
	}
	return time.Time{}
}

// atMark reports whether the mark is reached, however far beyond.
func atMark(l *look) bool {
	e := l.e
	return e.ReadyIsPast || e.Phase == estimator.Ready ||
		(e.Phase == estimator.Over && e.TargetPercent > 0 && e.RisePercent >= e.TargetPercent)
}

// reached: the level is at the mark.
func reached(l *look) []finding {
	return []finding{{kind: Reached, on: l.watched && atMark(l) && !l.spent(), ripe: true, reason: AtMark,
		hold: l.w.rules.ReachedHold, say: func() words { return sayReached(l) }}}
}

// over: above the mark by the margin, growth ending, or sinking. It escalates
// when a worse reason comes up or the margin is passed twice.
func over(l *look) []finding {
	if !l.watched || !l.dough || l.forSample() {
		return nil // a sample jar runs ahead of its loaf, which is told apart
	}
	e, margin := l.e, l.w.rules.OverMarginPoints
	above := e.RisePercent - e.TargetPercent
	past := atMark(l) && (e.Phase == estimator.Over && !e.Exhausted ||
		e.TargetPercent > 0 && (above-e.RiseSD >= margin || l.active(Over) && above >= margin))
	f := finding{kind: Over, ripe: true, hold: l.w.rules.OverHold, unknown: !l.sees() && !l.open(Over)}
	switch {
	case e.Phase == estimator.Fallen:
		f.reason, f.stage = FellBack, 2
	case e.Exhausted:
		f.reason, f.stage = NoRiseLeft, 1
	case past && above >= 2*margin:
		f.reason, f.stage = PastMark, 1
	case past:
		f.reason = PastMark
	default:
		return []finding{f}
	}
	f.on = true
	f.priority = min(5, 4+f.stage)
	f.say = func() words { return sayOver(l, f.reason) }
	return []finding{f}
}

// stageOf finds how bad an alarm of an earlier run was when last told.
func stageOf(a Alarm) int {
	switch {
	case a.Kind != Over:
		return 0
	case a.Reason == FellBack:
		return 2
	case a.Reason == NoRiseLeft, a.Priority >= 5:
		return 1
	}
	return 0
}

// levelsOff: dough slows down and will most likely stop short of the mark.
func levelsOff(l *look) []finding {
	on := l.watched && l.dough && l.e.LevelsOffShort && !atMark(l) && !l.spent()
	return []finding{{kind: LevelsOff, on: on, ripe: true, unknown: l.watched && !l.sees(), reason: EndsBelowMark,
		hold: l.w.rules.LevelsOffHold, say: func() words { return sayLevelsOff(l) }}}
}

// starterPhase builds the rule of one phase of a starter. It is held back from the
// beginning of the phase, which is kept over a restart.
func starterPhase(l *look, kind Kind, phase estimator.Phase) []finding {
	if l.dough || !l.watched {
		return nil
	}
	f := finding{kind: kind, on: l.e.Phase == phase, ripe: true, reason: string(phase), since: l.e.PhaseSince,
		hold: l.w.rules.StarterHold, say: func() words { return sayStarter(l, kind) }}
	if since := l.e.PhaseSince; f.on && !since.IsZero() {
		f.ripe, f.hold = l.Now.Sub(since) >= f.hold, 0
	}
	return []finding{f}
}

func starterPeak(l *look) []finding    { return starterPhase(l, StarterPeak, estimator.Peak) }
func starterFalling(l *look) []finding { return starterPhase(l, StarterFalling, estimator.Falling) }

// stepsDue: a step of the timetable should be done now, also after the rise. The
// end of a watched bulk is told by reached.
func stepsDue(l *look) []finding {
	var found []finding
	for _, s := range l.Steps {
		step := s
		found = append(found, finding{kind: StepDue, sub: step.ID, on: step.State == bake.DueNow && (!l.watched || step.ID != bake.BulkID),
			ripe: true, reason: step.ID, say: func() words { return sayStep(l, step) }})
	}
	return found
}

// values returns what most sentences about a rise need.
func (l *look) values() text.Values {
	e := l.e
	return text.Values{
		"vessel": l.Vessel, "percent": e.RisePercent, "mark_percent": e.TargetPercent,
		"peak_percent": e.PeakPercent, "ceiling_percent": e.CeilingPercent,
		"at": e.Ready.Median, "from": e.Ready.From, "until": e.Ready.Until, "since": e.PhaseSince,
	}
}

// sayNear words the near warning, and its update when the time has moved.
func sayNear(l *look) words {
	t, v := l.t, l.values()
	title, told := "near.title", "near.text"
	if !l.ahead() {
		title, told = "near.title.open", "near.text.open"
	}
	s := l.w.peek(l.Input, finding{kind: Near})
	if s.open && !s.told.IsZero() && l.ahead() {
		switch moved := l.e.Ready.Median.Sub(s.told); {
		case moved >= l.w.rules.ShiftMin:
			title = "near.later.title"
		case moved <= -l.w.rules.ShiftMin:
			title = "near.sooner.title"
		}
	}
	parts := []string{t.Say(told, v), l.do("near.do")}
	if carry := l.e.CarryOverPercent; l.dough && !l.forSample() && !math.IsNaN(carry) && carry >= 1 {
		parts = append(parts, t.Say("near.carry", text.Values{"carry_percent": carry}))
	}
	return words{t.Say(title, v), join(append(parts, l.doubt())...)}
}

// do is what to do under a key, for what is in the vessel.
func (l *look) do(key string) string {
	return cmp.Or(l.proofDo(key), l.t.Say(key+"."+l.content(), nil))
}

// content is the last part of the keys that differ for dough and starter.
func (l *look) content() string {
	if l.dough {
		return string(estimator.Dough)
	}
	return string(estimator.Starter)
}

// sayReached words the reached warning.
func sayReached(l *look) words {
	t, v := l.t, l.values()
	parts := []string{t.Say("reached.text", v)}
	if at := l.e.Ready.Median; l.e.ReadyIsPast && !at.IsZero() && l.Now.Sub(at) > 10*time.Minute {
		parts = append(parts, t.Say("reached.since", v))
	}
	parts = append(parts, l.do("reached.do"), l.doubt())
	return words{t.Say("reached.title", v), join(parts...)}
}

// sayOver words the over warning for its reason.
func sayOver(l *look, reason string) words {
	t, v := l.t, l.values()
	if s := l.w.peek(l.Input, finding{kind: Over}); !s.since.IsZero() && l.e.Phase != estimator.Fallen {
		v["since"] = s.since
	}
	return words{t.Say("over.title."+reason, v), join(t.Say("over.text."+reason, v), cmp.Or(l.proofDo("over.do."+reason), t.Say("over.do."+reason, nil)))}
}

// sayLevelsOff words the warning that the mark will not be reached.
func sayLevelsOff(l *look) words {
	t, v := l.t, l.values()
	return words{t.Say("levels_off.title", v), join(t.Say("levels_off.text", v), cmp.Or(l.proofDo("levels_off.do"), t.Say("levels_off.do", nil)))}
}

// sayStarter words the three states of a starter.
func sayStarter(l *look, kind Kind) words {
	t, v, key := l.t, l.values(), string(kind)
	text := key + ".text"
	if level := text + ".level"; t.Has(level) && !l.sank() {
		text = level
	}
	return words{t.Say(key+".title", v), join(t.Say(text, v), t.Say(key+".do", nil), l.careNote(kind), l.doubt())}
}

// sank reports whether the level is told lower than the peak.
func (l *look) sank() bool { return math.Round(l.e.RisePercent) < math.Round(l.e.PeakPercent) }

// sayStep words a step that is due.
func sayStep(l *look, s bake.Step) words {
	t := l.t
	name, do, caution := l.stepWords(s)
	v := text.Values{"vessel": l.Vessel, "step": name, "do": do, "from": s.From, "until": s.Until}
	parts := []string{t.Say("step_due.text", v)}
	if s.Until.After(s.From) {
		parts = append(parts, t.Say("step_due.window", v))
	}
	return words{t.Say("step_due.title", v), join(append(parts, l.stepNote(s.ID), caution)...)}
}

// doubt says when the estimate does not rest on readings; empty when it does.
func (l *look) doubt() string {
	switch l.e.Quality {
	case estimator.QualityGap:
		return l.t.Say("note.blind", nil)
	case estimator.QualitySuspect:
		return l.t.Say("note.unsure", nil)
	}
	return ""
}

// join puts sentences together, leaving out empty ones.
func join(parts ...string) string {
	text := ""
	for _, p := range parts {
		if p == "" {
			continue
		}
		if text != "" {
			text += " "
		}
		text += p
	}
	return text
}
