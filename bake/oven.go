package bake

import (
	"time"

	"tidemark/estimator"
)

// mostEarly bounds how much sooner than the middle of the forecast the oven is
// lit for the sake of an early proof.
const mostEarly = 20 * time.Minute

// needs delays the step by what has to be over before it: the oven's heating.
func (l *layout) needs(d StepDef) {
	for _, a := range l.p.Defs {
		if a.Trigger != Ahead || d.ID != BakeID || l.p.closed(BakeID) {
			continue
		}
		l.cursor = notBefore(l.cursor, l.aheadEnd(a))
	}
}

// aheadEnd is the earliest moment an Ahead step can be over.
func (l *layout) aheadEnd(a StepDef) time.Time {
	switch m := l.p.Marks[a.ID]; m.State {
	case Skipped:
		return time.Time{}
	case Done:
		if !m.Begun.IsZero() {
			return m.At // begun before and over by now
		}
		return m.At.Add(minutes(a.TakesMin)) // switched on; hot that much later
	case Started:
		return m.Begun.Add(minutes(a.TakesMin))
	}
	if l.cursor.Median.Sub(l.now) > minutes(a.WaitMin) {
		return time.Time{} // there is time enough
	}
	return l.now.Add(minutes(a.TakesMin))
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
