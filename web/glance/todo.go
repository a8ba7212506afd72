package glance

import (
	"math"
	"slices"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// todo fills the line "Now", its buttons and what else may have happened.
func (t *teller) todo() {
	n := t.s.Now
	t.out.Now = t.say("now", nil)
	t.out.Do = t.say("do."+n.Key, nil)
	if how := "do." + n.Key + ".how"; t.l.Has("page." + how) {
		t.out.How = t.say(how, text.Values{"vessel": t.s.ProofOf})
	}
	if n.Tap != "" {
		t.out.Main = t.tap(n.Tap, n.StepID)
		t.out.Calls = n.Key != bake.TodoStart && n.Key != bake.TodoJudge && n.Key != bake.TodoSlice && n.StepID != bake.SliceID &&
			(n.Key != bake.TodoFeed || t.s.Status != bake.StatusNothing)
	}
	if n.Other != "" {
		t.out.Other = t.tap(n.Other, n.StepID)
	}
	t.byKey(n)
	t.out.Else = t.happened()
}

// byKey fills in what single keys say more.
func (t *teller) byKey(n bake.Todo) {
	x, known := t.step(n.StepID)
	w := StepOf(x, t.l)
	switch n.Key {
	case bake.TodoStep, bake.TodoShape, bake.TodoBake:
		if !known {
			break
		}
		t.out.How, t.out.Caution = w.Do, w.Caution
		if n.Key == bake.TodoStep {
			t.out.Do = w.Name
		}
		if x.ID == bake.OvenCheckID && n.Key == bake.TodoStep && t.out.Main != nil { // the button itself is the answer
			t.out.Main.Answer, t.out.Other = "empty", nil
		}
	case bake.TodoWait:
		t.waits(n)
	case bake.TodoStall, bake.TodoStallProof: // it can have a target that it does get to
		t.out.Other = nil
		if p := math.Floor(t.s.Estimate.CeilingPercent/5) * 5; p > t.s.Estimate.RisePercent && p >= 5 {
			t.out.Other = &Tap{Kind: bake.EventTarget, Target: p, Label: t.say("do.stalls.target", text.Values{"percent": p})}
		}
	case bake.TodoInTime: // before nobody is there any more
		keys, v := t.s.Advice.Words(t.s.At)
		t.out.Do, t.out.How = t.l.Say(keys[1], v), t.l.Say(keys[0], v)
	case bake.TodoSee:
		t.out.AskSeen = true
		if r := t.s.Estimate.Ready; !r.IsZero() {
			t.out.How = t.say("do.see.closer", text.Values{"span": r.Until.Sub(r.From) / 2})
		}
	case bake.TodoLook:
		t.out.AskSeen = true
		if r := t.s.Estimate.QualityReason; r != "" {
			t.out.How = Upper(t.l.Say("cause."+string(r), nil))
		}
	case bake.TodoJudge:
		t.out.Judge, t.out.Main = true, nil
	}
	if o := t.out.Other; o != nil && o.Kind == bake.EventFridge && (n.Key == bake.TodoStep || n.Key == bake.TodoShape) {
		o.Label = t.say("did.fridge_instead", nil)
	}
}

// waits says until when nothing is to be done, and what comes then.
func (t *teller) waits(n bake.Todo) {
	t.out.Do = t.say("do.wait", text.Values{"at": n.At})
	t.out.How = ""
	switch x, ok := t.step(n.StepID); {
	case ok:
		t.out.How = t.say("then", text.Values{"step": StepOf(x, t.l).Name})
	case t.s.LookAt.Equal(n.At):
		t.out.How = t.say("then.see", nil)
	case t.s.Advice != nil:
		keys, v := t.s.Advice.Words(t.s.At)
		t.out.How = t.l.Say(keys[0], v) + " " + t.l.Say(keys[1], v)
	case t.s.Holds == estimator.Starter:
		t.out.How = t.say("then.use", nil)
	case t.s.RiseID != 0:
		t.out.How = t.say("then.shape", nil)
	}
}

// tap is the button that tells an event.
func (t *teller) tap(kind bake.EventKind, step string) *Tap {
	out := &Tap{Kind: kind, Label: t.say("did."+string(kind), nil)}
	if kind.Marks() {
		out.Step = step
	}
	x, ok := t.step(step)
	switch {
	case (kind == bake.EventBegun || kind == bake.EventDone) && ok:
		out.Label = TapLabel(x, t.l)
	case kind == bake.EventBegun, kind == bake.EventDone:
		out.Label = t.say("did."+step, nil)
	case kind == bake.EventStart && t.s.Plan != nil:
		out.Label = t.say("did.start.plan", nil)
	}
	return out
}

// happened lists what else may have happened, without what has a button already.
func (t *teller) happened() []Tap {
	var out []Tap
	for _, k := range t.possible() {
		out = append(out, *t.tap(k.Kind, k.Step))
	}
	return slices.DeleteFunc(out, func(x Tap) bool { return same(t.out.Main, x) || same(t.out.Other, x) })
}

// same reports whether a button is there already.
func same(there *Tap, tap Tap) bool {
	return there != nil && (there.Kind == tap.Kind && there.Step == tap.Step || there.Label == tap.Label)
}

// possible are the events that make sense in a status.
func (t *teller) possible() []Tap {
	s := t.s
	cold, fed, shaped, end := Tap{Kind: bake.EventFridge}, Tap{Kind: bake.EventFed}, Tap{Kind: bake.EventShaped}, Tap{Kind: bake.EventEnd}
	baked, into := Tap{Kind: bake.EventBaked}, Tap{Kind: bake.EventDone, Step: bake.BakeID}
	if s.InFridge {
		cold.Kind = bake.EventCounter
	}
	starter := s.Holds == estimator.Starter
	switch s.Status {
	case bake.StatusNothing, bake.StatusPlanned, bake.StatusDone:
		if starter {
			return []Tap{fed}
		}
		return []Tap{{Kind: bake.EventStart}}
	case bake.StatusDivided:
		return []Tap{shaped}
	case bake.StatusProving, bake.StatusProvingCold, bake.StatusProved, bake.StatusPreheating:
		return []Tap{cold, into}
	case bake.StatusOven, bake.StatusBaked:
		return []Tap{{Kind: bake.EventDone, Step: bake.UncoverID}, baked}
	case bake.StatusCooling:
		return []Tap{{Kind: bake.EventDone, Step: bake.SliceID}}
	case bake.StatusCatchingUp:
		return nil
	}
	switch {
	case starter:
		return []Tap{fed, cold, end}
	case s.ProofOf != "":
		return []Tap{cold, end}
	case s.InFridge:
		return []Tap{cold, shaped, baked, end}
	}
	return []Tap{{Kind: bake.EventFold}, cold, shaped, baked, end}
}

// StaysOut says what becomes of a rising dough that stays out; empty when that is not
// known.
func StaysOut(h *bake.Outlook, now time.Time, l *text.Localizer) string {
	if h == nil {
		return ""
	}
	key := "right"
	switch {
	case h.Over:
		key = "over"
	case h.Under:
		key = "under"
	case h.ColdOver:
		key = "warm"
	}
	l = l.At(now)
	v := text.Values{"at": h.At, "low_percent": h.P10, "percent": h.P50, "high_percent": h.P90, "cold_percent": h.ColdPercent}
	return l.Say("page.hour.at", v) + " " + l.Say("page.hour."+key, v)
}
