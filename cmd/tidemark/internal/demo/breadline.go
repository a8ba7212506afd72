package demo

import (
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/web"
	"tidemark/web/glance"
)

// breadTold is what was last said of the bake after its bulk and of a starter's
// care.
type breadTold struct {
	stage bake.AfterStage
	until time.Time
	why   string
	core  float64 // last core told, Celsius
	basis string  // its key
	peak  time.Time
}

// coreTold is how far the core of the loaf moves before it is told again.
const coreTold = 20.0

// bread prints what is new of the bake after its bulk and of a starter's care.
func (t *timeline) bread(now time.Time, v web.Vessel) {
	if v.Care != nil {
		t.care(now, v)
	}
	if v.After != nil {
		t.after(now, v)
	}
}

// care prints when a starter peaks, is best used and gets hungry, again when
// that rests on something else or has moved.
func (t *timeline) care(now time.Time, v web.Vessel) {
	c, s := v.Care, t.seen[v.Vessel]
	if now.Sub(c.Feed.At) < time.Minute {
		return // its temperature is not known yet
	}
	basis := c.Basis[0].Key
	if basis == s.bread.basis && c.Peak.Median.Sub(s.bread.peak).Abs() < leastMoved {
		return
	}
	s.bread.basis, s.bread.peak = basis, c.Peak.Median
	key := "demo.care"
	if !c.Peak.Median.After(now) {
		key = "demo.care.peaked"
	}
	t.say(now, v.Vessel, "care", key, text.Values{"at": c.Peak.Median, "from": c.Peak.From, "until": c.Peak.Until, "use_from": c.UseFrom, "use_until": c.UseUntil,
		"hungry": c.Hungry.Median, "feed": c.NextFeed, "basis": c.Basis})
}

// after prints the sentence of the bake after its bulk when its stage, its
// grounds, its time or the core of the loaf has moved.
func (t *timeline) after(now time.Time, v web.Vessel) {
	a, b := v.After, &t.seen[v.Vessel].bread
	moved := a.Until.Median.Sub(b.until).Abs() >= max(leastMoved, a.Until.Until.Sub(a.Until.From)/3)
	hotter := !math.IsNaN(a.CoreC) && math.Abs(a.CoreC-b.core) >= coreTold
	timed := a.Stage == bake.Proofing || a.Stage == bake.Cooling
	news := a.Stage != b.stage || hotter || timed && (moved || kindOf(a) != b.why)
	if !news {
		return
	}
	b.stage, b.until, b.why = a.Stage, a.Until.Median, kindOf(a)
	if !math.IsNaN(a.CoreC) {
		b.core = a.CoreC
	}
	g := glance.Of(glance.Input{State: v.State}, t.words)
	t.line(now, v.Vessel, string(a.Stage), strings.Join(strings.Fields(strings.Join([]string{g.Word, g.Day, g.Big + ".", g.Sentence}, " ")), " "))
}

// kindOf is what the time of a stage rests on, without its figures.
func kindOf(a *bake.After) string {
	if a.Stage == bake.Cooling && len(a.Why) > 0 {
		return a.Why[0].Key
	}
	return string(a.Basis)
}
