package planner

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tidemark/bake"
	"tidemark/bake/heat"
)

// The steps of the starter before the dough, as an adopted plan has them.
const (
	FeedID  = "feed"
	RipenID = "ripen"
)

// Adopted is what a household takes on with a plan: its process, the feed in
// front of the dough when one is needed, so that everything from feeding to
// slicing slips as one.
func (p Plan) Adopted() bake.Process {
	out := p.Process
	out.Defs = slices.Clone(p.Process.Defs)
	out.Marks = nil
	if p.Feed == nil || len(p.Steps) == 0 { // ripe already, or no way
		return out
	}
	ripe := max(1, int(math.Round(p.Process.Started.Sub(p.Feed.At).Minutes()))-feedMin)
	feed := bake.StepDef{ID: FeedID, Name: "feed", Trigger: bake.ByClock, TakesMin: feedMin, Hands: true, Do: p.Steps[0].Do, Caution: p.Steps[0].Caution}
	ripen := bake.StepDef{ID: RipenID, Name: "levain ripens", Trigger: bake.ByClock, TakesMin: ripe,
		Do: "Leave the levain covered until its peak."} // no times: they slip with the feed
	out.Defs = append([]bake.StepDef{feed, ripen}, out.Defs...)
	out.Started = p.Feed.At
	return out
}

// feedMin is how long feeding takes in minutes. Common practice, no source.
const feedMin = 5

// Fridge is the household's refrigerator with one loaf of the batch in it, as
// Replan needs it.
func (w Wish) Fridge() heat.Fridge { return w.withDefaults().fridge() }

// LeftOut answers "what if it stays out until t" for a way of the wish that has
// not begun: by t the bulk ends or, in a way with a night in the cold, the dough
// goes in, and what the cold adds is counted. An error says why nothing can be
// said.
func LeftOut(w Wish, wayName string, t time.Time) (Outlook, error) {
	w = w.withDefaults()
	if err := w.Validate(); err != nil {
		return Outlook{}, err
	}
	for _, y := range ways(w) {
		if y.name != wayName {
			continue
		}
		j, _, ok := w.begin(y)
		if !ok {
			break
		}
		return j.leftOut(t.In(w.Now.Location()))
	}
	return Outlook{}, fmt.Errorf("there is no way %q to this bread", wayName)
}

// leftOut reads the crowd at a moment.
func (j *job) leftOut(t time.Time) (Outlook, error) {
	h := t.Sub(j.start).Hours()
	if h <= mixHours {
		return Outlook{}, fmt.Errorf("the dough is mixed only at %s; ask for a later time", j.start.Format("Mon 15:04"))
	}
	if h > pathHours {
		return Outlook{}, fmt.Errorf("more than %.0f hours after mixing nothing is right any more; ask for an earlier time", pathHours)
	}
	rises := make([]float64, len(j.paths))
	for i, p := range j.paths {
		rises[i] = j.share(p, h) * j.goal()
	}
	r := j.risk(func(int) float64 { return h })
	at := func(q float64) float64 { return quantile(rises, q) }
	o := Outlook{Until: t, P10: at(0.1), P50: at(0.5), P90: at(0.9), Under: r.Under, Over: r.Over}
	o.Text = o.words(j.y.cold)
	return o, nil
}
