package say

import (
	"fmt"
	"math"
	"time"

	"tidemark/bake"
	"tidemark/estimator"
)

// window writes "between 18:05 and 18:30 (8 in 10), most likely 18:15".
func (h House) window(w estimator.Window, now time.Time) string {
	return fmt.Sprintf("between %s (8 in 10), most likely %s", h.Between(w.From, w.Until, now), h.short(w.Median, w.From, now))
}

// afterWhen is the main sentence of a bake after its bulk.
func afterWhen(a *bake.After, now time.Time, h House) string {
	switch a.Stage {
	case bake.Proofing:
		return "Final proof: ready " + h.window(a.Until, now) + "."
	case bake.Proofed:
		return "Proofed: ready for the oven" + since(a.Since, now, h) + "."
	case bake.Baking:
		return "In the oven" + since(a.Since, now, h) + out(a, now, h) + "."
	case bake.LoafDone:
		return "The loaf is done" + since(a.Since, now, h) + ": take it out."
	case bake.Sliceable:
		return "Cool enough to slice" + since(a.Since, now, h) + "."
	}
	if a.Until.IsZero() {
		return "Cooling" + since(a.Since, now, h) + "."
	}
	return "Cooling: cool enough to slice " + h.window(a.Until, now) + "."
}

// afterShort says it in a few words.
func afterShort(a *bake.After, now time.Time, h House) string {
	switch a.Stage {
	case bake.Proofing:
		return "final proof, ready most likely " + h.Moment(a.Until.Median, now)
	case bake.Proofed:
		return "proofed" + since(a.Since, now, h)
	case bake.Baking:
		return "in the oven" + since(a.Since, now, h)
	case bake.LoafDone:
		return "done" + since(a.Since, now, h) + ", take it out"
	case bake.Sliceable:
		return "cool enough to slice" + since(a.Since, now, h)
	}
	if a.Until.IsZero() {
		return "cooling" + since(a.Since, now, h)
	}
	return "cooling, to slice most likely " + h.Moment(a.Until.Median, now)
}

// out says when a loaf in the oven is to come out.
func out(a *bake.After, now time.Time, h House) string {
	switch {
	case a.Until.IsZero():
		return ""
	case !math.IsNaN(a.CoreC):
		return "; it comes out when its core is done"
	}
	return "; by the clock it comes out " + h.At(a.Until.Median, now)
}

// saidByAfter reports whether the main sentence says already what comes next.
func saidByAfter(a *bake.After, due bool) bool { return a.Stage == bake.Cooling && !due }

// afterLevel says how warm it is there and what that means.
func afterLevel(a *bake.After, h House) string {
	if math.IsNaN(a.CoreC) {
		return ""
	}
	s := "Core " + h.Temperature(a.CoreC)
	switch a.Stage {
	case bake.Baking, bake.LoafDone:
		s += fmt.Sprintf("; such a loaf is done from %s, best at %s to %s", h.degrees(a.Done.LowC), h.degrees(a.Done.BestC), h.degrees(a.Done.MostC))
	case bake.Cooling:
		s += "; it slices cleanly from " + h.degrees(a.SliceC) + " down"
	}
	return s + "."
}

// degrees writes whole degrees.
func (h House) degrees(c float64) string { return fmt.Sprintf("%.0f %s", h.scale(c), h.unit()) }

// AfterBasis says what the time of a bake after its bulk rests on; empty when
// there is nothing to say.
func AfterBasis(a *bake.After) string {
	if a == nil || a.Why == "" {
		return ""
	}
	switch a.Stage {
	case bake.Proofing, bake.Proofed:
		return "Timed " + a.Why + "."
	case bake.Cooling:
		return "Timed " + stopped(a.Why)
	}
	return ""
}

// careNext says what comes next for a fed starter, and whether it is to be done
// now.
func careNext(c *bake.Care, now time.Time, h House) (string, bool) {
	switch {
	case !now.Before(c.NextFeed):
		return "Now: feed it (due " + h.Moment(c.NextFeed, now) + ").", true
	case now.Before(c.UseFrom):
		return fmt.Sprintf("Best used from %s to %s. Hungry about %s.", h.Moment(c.UseFrom, now), h.short(c.UseUntil, c.UseFrom, now),
			h.short(c.Hungry.Median, c.UseFrom, now)), false
	case now.Before(c.UseUntil):
		return fmt.Sprintf("At its best now, until %s. Feed it by %s.", h.Moment(c.UseUntil, now), h.short(c.NextFeed, c.UseUntil, now)), false
	}
	return fmt.Sprintf("Its best use ended %s. Feed it by %s.", h.At(c.UseUntil, now), h.Moment(c.NextFeed, now)), false
}

// careSteps are the lines of a starter's care that no deed and no seen peak
// stands for already.
func careSteps(v Vessel, deeds []Deed) []bake.Step {
	if v.Care == nil {
		return nil
	}
	var out []bake.Step
	for _, s := range v.Care.Steps(v.Now) {
		switch {
		case s.ID == "feed" && len(deeds) > 0, s.ID == "peak" && len(peakRow(v, House{})) > 0:
			continue
		}
		out = append(out, s)
	}
	return out
}

// Stands says for whose final proof a vessel stands; empty for none.
func Stands(of string, basis bake.ProofBasis) string {
	switch {
	case of == "":
		return ""
	case basis == bake.SampleBasis:
		return "sample jar of " + of
	}
	return "final proof of " + of
}
