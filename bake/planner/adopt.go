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
