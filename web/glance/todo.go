package glance

import (
	"math"
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
	switch n.Key {
	case bake.TodoStep:
		t.due(n.StepID)
	case bake.TodoShape, bake.TodoBake:
		if x, ok := t.step(n.StepID); ok {
			w := StepOf(x, t.l)
			t.out.How, t.out.Caution = w.Do, w.Caution
		}
		if n.Key == bake.TodoShape && t.out.Other != nil {
			t.out.Other.Label = t.say("did.fridge_instead", nil)
		}
	case bake.TodoWait:
		t.waits(n)
	case bake.TodoStall, bake.TodoStallProof:
		t.stalls()
	case bake.TodoInTime:
		t.inTime()
	case bake.TodoSee:
		t.out.AskSeen = true
		if r := t.s.Estimate.Ready; !r.IsZero() {
			t.out.How = t.say("do.see.closer", text.Values{"span": r.Until.Sub(r.From) / 2})
		}
	case bake.TodoLook:
		t.out.Calls = true
		if r := t.s.Estimate.QualityReason; r != "" {
			t.out.How = Upper(t.l.Say("cause."+string(r), nil))
		}
	case bake.TodoJudge:
		t.out.Judge, t.out.Main = true, nil
	}
}

// stalls lets a dough that will not get to its target have one that it does get to.
func (t *teller) stalls() {
	t.out.Other = nil
	if p := math.Floor(t.s.Estimate.CeilingPercent/5) * 5; p > t.s.Estimate.RisePercent && p >= 5 {
		t.out.Other = &Tap{Kind: bake.EventTarget, Target: p, Label: t.say("do.stalls.target", text.Values{"percent": p})}
	}
}

// due is a step whose time has come.
func (t *teller) due(id string) {
	x, ok := t.step(id)
	if !ok {
		return
	}
	w := StepOf(x, t.l)
	t.out.Do, t.out.How, t.out.Caution = w.Name, w.Do, w.Caution
	if t.out.Main == nil {
		return
	}
	if x.ID == bake.OvenCheckID { // the button itself is the answer
		t.out.Main.Answer, t.out.Other = "empty", nil
	}
	if t.out.Other != nil && t.out.Other.Kind == bake.EventFridge {
		t.out.Other.Label = t.say("did.fridge_instead", nil)
	}
}

// waits says until when nothing is to be done, and what comes then.
func (t *teller) waits(n bake.Todo) {
	t.out.Do = t.say("do.wait", text.Values{"at": n.At})
	t.out.How = ""
	switch name := t.stepName(n.StepID); {
	case name != "":
		t.out.How = t.say("then", text.Values{"step": name})
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

// inTime says what is to be done before nobody is there any more.
func (t *teller) inTime() {
	keys, v := t.s.Advice.Words(t.s.At)
	t.out.Do, t.out.How = t.l.Say(keys[1], v), t.l.Say(keys[0], v)
}

// tap is the button that tells an event.
func (t *teller) tap(kind bake.EventKind, step string) *Tap {
	out := &Tap{Kind: kind}
	if kind.Marks() {
		out.Step = step
	}
	key := "did." + string(kind)
	switch x, ok := t.step(step); {
	case kind == bake.EventSkipped:
	case kind == bake.EventBegun, kind == bake.EventDone:
		if ok {
			out.Label = TapLabel(x, t.l)
		} else {
			key = "did." + step
		}
	case kind == bake.EventStart && t.s.Plan != nil:
		key = "did.start.plan"
	}
	if out.Label == "" {
		out.Label = t.say(key, nil)
	}
	return out
}

// happened lists what else may have happened, without what has a button already.
func (t *teller) happened() []Tap {
	var out []Tap
	for _, k := range t.possible() {
		tap := t.tap(k.Kind, k.Step)
		if same(t.out.Main, *tap) || same(t.out.Other, *tap) {
			continue
		}
		out = append(out, *tap)
	}
	return out
}

// same reports whether a button is there already.
func same(there *Tap, tap Tap) bool {
	return there != nil && (there.Kind == tap.Kind && there.Step == tap.Step || there.Label == tap.Label)
}

// possible are the events that make sense in a status.
func (t *teller) possible() []Tap {
	s := t.s
	cold := Tap{Kind: bake.EventFridge}
	if s.InFridge {
		cold.Kind = bake.EventCounter
	}
	switch s.Status {
	case bake.StatusNothing, bake.StatusPlanned, bake.StatusDone:
		if s.Holds == estimator.Starter {
			return []Tap{{Kind: bake.EventFed}}
		}
		return []Tap{{Kind: bake.EventStart}}
	case bake.StatusDivided:
		return []Tap{{Kind: bake.EventShaped}}
	case bake.StatusProving, bake.StatusProvingCold, bake.StatusProved, bake.StatusPreheating:
		return []Tap{cold, {Kind: bake.EventDone, Step: bake.BakeID}}
	case bake.StatusOven, bake.StatusBaked:
		return []Tap{{Kind: bake.EventDone, Step: bake.UncoverID}, {Kind: bake.EventBaked}}
	case bake.StatusCooling:
		return []Tap{{Kind: bake.EventDone, Step: bake.SliceID}}
	case bake.StatusCatchingUp:
		return nil
	}
	switch {
	case s.Holds == estimator.Starter:
		return []Tap{{Kind: bake.EventFed}, cold, {Kind: bake.EventEnd}}
	case s.ProofOf != "":
		return []Tap{cold, {Kind: bake.EventEnd}}
	case s.InFridge:
		return []Tap{cold, {Kind: bake.EventShaped}, {Kind: bake.EventBaked}, {Kind: bake.EventEnd}}
	}
	return []Tap{{Kind: bake.EventFold}, cold, {Kind: bake.EventShaped}, {Kind: bake.EventBaked}, {Kind: bake.EventEnd}}
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
