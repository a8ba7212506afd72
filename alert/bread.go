package alert

import (
	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// Bread is what is known beyond the rise itself: the bake after its bulk, whose
// final proof a vessel shows, and the care of a starter. The zero Bread says
// nothing.
type Bread struct {
	Proof   bake.ProofBasis  // the rise is a final proof: in the basket or a sample jar; empty for any other
	ProofOf string           // the vessel whose loaf proofs
	LoafBy  estimator.Window // when the loaf is ready for which a sample jar stands; zero outside its proof
	Told    bool             // that loaf is followed and told apart, up to the slice
	After   *bake.After
	Care    *bake.Care
	Weak    bool // the past feeds say that the starter is not as it should be
}

// Reasons of starter_hungry beside what the sensor sees.
const (
	ByTime = "by_time" // not seen, but its usual time is up
	InCold = "in_cold" // kept cold and due for its feed
)

// starterHungry: seen hungry; or not seen, or in the cold, and due by the care
// of its feeds.
func starterHungry(l *look) []finding {
	found := starterPhase(l, StarterHungry, estimator.Hungry)
	if len(found) == 0 || found[0].on || l.Care == nil || l.Now.Before(l.Care.NextFeed) {
		return found
	}
	f := &found[0]
	switch {
	case l.InFridge:
		f.on, f.reason = true, InCold
	case !l.sees():
		f.on, f.reason = true, ByTime
	default:
		return found // the sensor sees it, and says when
	}
	f.since = l.Care.NextFeed
	reason := f.reason
	f.say = func() words { return sayHungryUnseen(l, reason) }
	return found
}

// sayHungryUnseen words a hunger that no sensor saw.
func sayHungryUnseen(l *look, reason string) words {
	t, v := l.t, l.values()
	v["fed"], v["hungry"] = l.Care.Feed.At, l.Care.Hungry.Median
	key := string(StarterHungry)
	return words{t.Say(key+".title."+reason, v), join(t.Say(key+".text."+reason, v), t.Say(key+".do", nil))}
}

// careNote is what a starter's message says of the hours to come.
func (l *look) careNote(kind Kind) string {
	c := l.Care
	if c == nil {
		return ""
	}
	t, v := l.t, text.Values{"until": c.UseUntil, "hungry": c.Hungry.Median}
	var parts []string
	switch {
	case kind == StarterPeak && c.UseUntil.After(l.Now):
		parts = append(parts, t.Say("care.use", v))
	case kind == StarterFalling && c.Hungry.Median.After(l.Now):
		parts = append(parts, t.Say("care.hungry", v))
	}
	if l.Weak && kind == StarterPeak {
		parts = append(parts, t.Say("care.weak", nil))
	}
	return join(parts...)
}

// forSample reports whether the vessel is a sample jar of a loaf that is told
// apart.
func (l *look) forSample() bool { return l.Proof == bake.SampleBasis && l.Told }

// spent reports whether the vessel is a sample jar whose loaf has proofed: what
// goes on in it is of no use any more.
func (l *look) spent() bool { return l.forSample() && l.LoafBy.IsZero() }

// endSpent ends what was told of a sample jar whose loaf has proofed.
func (w *Watch) endSpent(l *look) []Change {
	if !l.spent() {
		return nil
	}
	var changes []Change
	for _, kind := range []Kind{Near, Reached, Over, LevelsOff} {
		if s := w.peek(l.Input, finding{kind: kind}); s.open {
			changes = append(changes, w.resolve(l.Input, s, nil))
		}
	}
	return changes
}

// proofDo is what to do about a final proof under a key such as "reached.do";
// empty for any other rise.
func (l *look) proofDo(key string) string {
	t := l.t
	switch {
	case l.Proof == "":
		return ""
	case l.forSample() && t.Has(key+".sample"):
		return t.Say(key+".sample", text.Values{"of": l.ProofOf, "loaf": l.LoafBy.Median})
	}
	return t.Say(key+".proof", text.Values{"of": l.ProofOf})
}

// stepNote is what is measured about a step of the bake after its bulk.
func (l *look) stepNote(id string) string {
	a, t := l.After, l.t
	if a == nil {
		return ""
	}
	v := text.Values{"core": t.Temp(a.CoreC), "low": t.Temp(a.Done.LowC), "best": t.Temp(a.Done.BestC), "high": t.Temp(a.Done.MostC), "slice": t.Temp(a.SliceC)}
	switch id {
	case bake.ProofID:
		if a.Basis != "" {
			return t.Say("bread.proof."+string(a.Basis), nil)
		}
	case bake.OutID:
		return l.coreNote(v)
	case bake.SliceID:
		if a.Probe && a.CoreC == a.CoreC && a.CoreC <= a.SliceC+1 {
			return t.Say("bread.slice.core", v)
		}
		return t.Say("bread.slice.mass", v)
	}
	return ""
}

// coreNote says how hot the loaf's core is.
func (l *look) coreNote(v text.Values) string {
	t := l.t
	switch a := l.After; {
	case !a.DoneAt.IsZero():
		return t.Say("bread.core.done", v)
	case a.CoreC == a.CoreC:
		return t.Say("bread.core.not_done", v)
	}
	return t.Say("bread.core.none", v)
}
