package main

import (
	"time"

	"tidemark/alert"
)

// countArrivals counts as false the letters that came twice, or after the warning
// was answered or over. The same letter may come again when its answer was lost: it
// has the same ID, so that it replaces the first.
func (r *result) countArrivals(p *postDay, sum *posted) {
	type key struct{ route, id string }
	heard, first := map[key]bool{}, map[key]string{}
	over := map[string]*news{}
	for _, n := range p.all {
		over[n.ID] = n
	}
	for _, a := range p.out.took {
		sum.letters++
		was, again := heard[key{a.route, a.id}]
		if again {
			sum.again++
			r.falseLetter(was, "came again although its answer was heard", a)
		}
		heard[key{a.route, a.id}] = !a.unheard
		if a.what == alert.WasRaised {
			other, told := first[key{a.route, a.alarm}]
			r.falseLetter(told && other != a.id, "came as news a second time", a)
			first[key{a.route, a.alarm}] = a.id
		}
		at, answered := p.answered[a.alarm]
		r.falseLetter(answered && !a.begun.Before(at), "was sent after the answer", a)
		if n := over[a.alarm]; n != nil && a.what != alert.WasResolved {
			r.falseLetter(!n.ResolvedAt.IsZero() && !a.begun.Before(n.ResolvedAt), "was sent after its warning was over", a)
		}
	}
}

// falseLetter counts a letter that should not have come.
func (r *result) falseLetter(bad bool, what string, a arrival) {
	if bad {
		r.falseAlarms++
		r.say("letter %s %s, sent %s by %s", a.id, what, a.begun.Format(time.TimeOnly), a.route)
	}
}

// countNews holds every warning against what came through one way: it has to be
// there when the way was open for long enough while it was of use, and not before an
// older one.
func (r *result) countNews(p *postDay, way string, sum *posted) {
	var last time.Time
	for _, n := range p.all {
		told := p.toldAt(way, n)
		due, must := p.dueBy(way, n)
		switch {
		case must && (told.IsZero() || told.After(due)):
			r.missed++
			r.say("%s of %s, raised %s, was due by %s at %s and came %s", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), way,
				due.Format(time.TimeOnly), told.Format(time.TimeOnly))
		case told.IsZero():
			sum.overtaken++
		case told.Sub(n.raised) > time.Minute:
			sum.late++
		}
		if told.IsZero() || n.leader != "" {
			continue
		}
		if told.Before(last) {
			r.falseAlarms++
			r.say("%s of %s, raised %s, came by %s before an older one", n.Kind, n.Vessel, n.raised.Format(time.TimeOnly), way)
		}
		last = told
	}
}

// toldAt is when the first letter that tells a warning was sent; zero for never.
func (p *postDay) toldAt(way string, n *news) time.Time {
	for _, a := range p.out.took {
		if a.route == way && (a.alarm == n.ID || n.leader != "" && a.alarm == n.leader) {
			return a.begun
		}
	}
	return time.Time{}
}

// dueBy tells when a way has been open for so long, while a warning was of use, that
// its letter must have come.
func (p *postDay) dueBy(way string, n *news) (at time.Time, must bool) {
	end := n.raised.Add(elseIsNews)
	if n.Kind == alert.Near {
		end = n.raised.Add(nearIsNews)
	}
	for _, t := range []time.Time{n.ResolvedAt, p.answered[n.ID], p.now} {
		if !t.IsZero() && t.Before(end) {
			end = t
		}
	}
	open := time.Duration(0)
	for at = n.raised; at.Before(end); at = at.Add(stepEvery) {
		if open += stepEvery; p.out.trouble(way, at).holds() {
			open = 0
		}
		if open >= reachedWithin {
			return at, true
		}
	}
	return end, false
}
