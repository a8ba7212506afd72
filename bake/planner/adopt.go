package planner

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tidemark/bake"
	"tidemark/bake/heat"
)

// The steps of the starter before the dough, as an adopted plan has them.
const (
	FeedID  = "feed"
	RipenID = "ripen"
)

// Adopted is what a household takes on with a plan: its process, the feeds in front of
// the dough included, so that everything from feeding to slicing slips as one.
func (p Plan) Adopted() bake.Process {
	out := p.Process
	out.Defs = slices.Clone(p.Process.Defs)
	out.Marks = nil
	return out
}

// withFeeds puts the feeds, and the ripening after each, in front of the dough that is
// mixed at a moment.
func withFeeds(p bake.Process, feeds []bake.Feed, mix time.Time) bake.Process {
	var front []bake.StepDef
	for k, f := range feeds {
		next, id, ripen, key := mix, FeedID, RipenID, "feed"
		if k < len(feeds)-1 {
			next, id, ripen, key = feeds[k+1].At, fmt.Sprintf("refresh-%d", k+1), fmt.Sprintf("ripen-%d", k+1), "refresh"
		}
		wait := max(1, int(math.Round(next.Sub(f.At).Minutes()))-feedMin)
		v := bake.Values{"starter_g": f.StarterG, "flour_g": f.FlourG, "water_g": f.WaterG}
		front = append(front,
			bake.StepDef{ID: id, Key: key, Trigger: bake.ByClock, TakesMin: feedMin, Hands: true, Values: v, Warn: []string{"flour", "jar"}},
			bake.StepDef{ID: ripen, Key: "ripen", Trigger: bake.ByClock, TakesMin: wait}) // no times: they slip with the feed
	}
	if len(feeds) > 0 {
		p.Started = feeds[0].At
	}
	p.Defs = append(front, p.Defs...)
	return p
}

// Fridge is the household's refrigerator with one loaf of the batch in it, as Replan
// needs it.
func (w Wish) Fridge() heat.Fridge {
	w = w.withDefaults()
	return w.fridge(w.loafKg())
}

// OvenSpan returns when a bake that is laid out has the oven: from heating it up until
// the last loaf is out. ok is false when that is over or not known.
func OvenSpan(steps []bake.Step) (span Span, ok bool) {
	for _, s := range steps {
		if s.State == bake.Done || s.State == bake.Skipped {
			continue
		}
		switch {
		case s.ID == bake.PreheatID || span.From.IsZero() && strings.HasPrefix(s.ID, bake.OutID):
			span.From = s.At
		}
		if strings.HasPrefix(s.ID, bake.OutID) {
			span.Until = s.At
		}
	}
	return span, span.From.Before(span.Until)
}

// LeftOut answers "what if it stays out until t" for a way of the wish that has
// not begun: by t the bulk ends or, in a way with a night in the cold, the dough
// goes in, and what the cold adds is counted. An error says why nothing can be
// said.
func LeftOut(w Wish, wayName string, t time.Time) (Outlook, error) {
	w = w.withDefaults()
	if err := w.Validate(); err != nil {
		return Outlook{}, err
	}
	for _, j := range w.jobs() {
		if j.way.name != wayName {
			continue
		}
		list := j.trials(startStep)
		if len(list) == 0 {
			break
		}
		return j.leftOut(&list[0], t.In(w.Now.Location()))
	}
	return Outlook{}, refuse("way", "no_way", nil)
}

// leftOut reads the crowd at a moment.
func (j *job) leftOut(c *trial, t time.Time) (Outlook, error) {
	h := t.Sub(c.start).Hours()
	if h <= j.mixHours {
		return Outlook{}, refuse("until", "not_mixed", bake.Values{"mixed": c.start})
	}
	if h > pathHours {
		return Outlook{}, refuse("until", "too_far", bake.Values{"hours": pathHours})
	}
	rises := make([]float64, len(j.paths))
	for i, p := range j.paths {
		e := p.equiv(h - j.mixHours)
		if j.carry != nil {
			e += j.carry[i].at(h)
		}
		rises[i] = p.d.rise(e)
	}
	proof := median(c.proofs)
	r := j.risk(func(i int) float64 { return j.unseen(i, h, proof) })
	at := func(q float64) float64 { return quantile(rises, q) }
	return Outlook{Until: t, Cold: j.way.cold || j.way.tub, P10: at(0.1), P50: at(0.5), P90: at(0.9), Under: r.Under, Over: r.Over}, nil
}
