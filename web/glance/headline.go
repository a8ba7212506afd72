package glance

import (
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// headline fills word, big time, distance, range and sentence.
func (t *teller) headline() {
	switch t.s.Status {
	case bake.StatusNothing, bake.StatusPlanned, bake.StatusCatchingUp, bake.StatusBlind:
		t.noLevel()
	case bake.StatusStarterRising, bake.StatusStarterPeak, bake.StatusStarterFalling, bake.StatusStarterHungry:
		t.starter()
	case bake.StatusReady, bake.StatusPast, bake.StatusStalling:
		t.atMark()
	case bake.StatusSettling, bake.StatusWaiting, bake.StatusRising, bake.StatusCold, bake.StatusNear:
		if t.s.Holds == estimator.Starter && t.s.Care != nil {
			t.starter()
			return
		}
		t.ahead()
	default:
		t.afterBulk()
	}
}

// at shows a moment as the big time under a word.
func (t *teller) at(word string, at time.Time, v text.Values) {
	t.out.Word = t.say("word."+word, v)
	if at.IsZero() {
		t.out.Word = ""
		t.word(string(t.s.Status))
		return
	}
	t.out.IsTime = true
	t.out.Big, t.out.Suffix, _ = strings.Cut(t.l.At(time.Time{}).Clock(at), " ")
	if local, now := at.In(t.l.Locale().Zone), t.s.At.In(t.l.Locale().Zone); local.YearDay() != now.YearDay() || local.Year() != now.Year() {
		t.out.Day = t.l.Weekday(at)
	}
	t.out.Away = t.away(at)
}

// word shows a word in the place of the time.
func (t *teller) word(key string) { t.out.Big, t.out.IsTime = Upper(t.say("state."+key, nil)), false }

// tell sets the sentence.
func (t *teller) tell(key string, v text.Values) { t.out.Sentence = t.say("say."+key, v) }

// strip shows a range that is still ahead.
func (t *teller) strip(w estimator.Window) {
	if w.IsZero() || w.Until.Sub(w.From) < 2*time.Minute || !w.Until.After(t.s.At) {
		return
	}
	whole := w.Until.Sub(t.s.At).Seconds() * 1.12
	share := func(at time.Time) float64 { return math.Max(0, at.Sub(t.s.At).Seconds()/whole) }
	t.out.Strip = &Strip{0, share(w.From), share(w.Median), share(w.Until), t.l.Clock(w.From), t.l.Clock(w.Until)}
}

// mark is the name of the rise that is waited for: doubled, or its percent.
func (t *teller) mark() string { return t.markOf(t.s.Estimate.TargetPercent) }

// ahead is a dough on its way.
func (t *teller) ahead() {
	e := &t.s.Estimate
	t.tell(string(t.s.Status), text.Values{"percent": e.RisePercent, "target_percent": e.TargetPercent, "rate_percent": e.RatePercentPerHour})
	if t.s.Status == bake.StatusWaiting || t.s.Status == bake.StatusSettling || math.IsNaN(e.RatePercentPerHour) || e.RatePercentPerHour < 1 {
		t.tell(string(t.s.Status)+".still", text.Values{"percent": e.RisePercent})
	}
	if math.IsNaN(e.RisePercent) {
		t.tell("unseen", nil)
	}
	if e.Ready.IsZero() {
		t.at("since", t.s.Rise.StartedAt, nil)
		t.out.Sentence = joined(" ", t.out.Sentence, t.say("say.no_forecast", nil))
		return
	}
	if e.ReadyIsPast { // in the fridge
		t.at("reached", e.Ready.Median, text.Values{"mark": Upper(t.mark())})
		return
	}
	t.at("about", e.Ready.Median, text.Values{"mark": Upper(t.mark())})
	t.strip(e.Ready)
}

// atMark is a dough at its mark, past it, or that will not get there.
func (t *teller) atMark() {
	e := &t.s.Estimate
	v := text.Values{"percent": e.RisePercent, "target_percent": e.TargetPercent, "ceiling_percent": e.CeilingPercent, "peak_percent": e.PeakPercent}
	switch {
	case t.s.Status == bake.StatusStalling:
		t.out.Word = t.say("word.stops", nil)
		t.out.Big = strings.ReplaceAll(t.l.Percent(e.CeilingPercent), "\u00a0", "\u202f")
		t.tell("stalling", v)
		if math.IsNaN(e.CeilingPercent) {
			t.out.Word = ""
			t.word("stalling")
			t.tell("stalling.open", v)
		}
	case t.s.Status == bake.StatusReady:
		t.at("reached", first(e.Ready.Median, e.PhaseSince), text.Values{"mark": Upper(t.mark())})
		t.tell("ready", v)
		if w, ok := bake.FanCrossing(*e, t.s.OverPercent); ok && t.s.OverPercent > 0 && w.Median.After(t.s.At.Add(5*time.Minute)) {
			v["at"] = w.Median
			t.tell("ready.until", v)
		}
	case e.Phase == estimator.Fallen:
		t.at("sinking", e.PhaseSince, nil)
		t.tell("fallen", v)
	case e.Exhausted && !e.ReadyIsPast:
		t.at("stopped", e.PhaseSince, nil)
		t.tell("exhausted", v)
	default:
		t.at("past", first(e.Ready.Median, e.PhaseSince), text.Values{"mark": t.mark()})
		t.tell("past", v)
	}
	if math.IsNaN(e.RisePercent) {
		t.tell("unseen", nil)
	}
}

// first returns the first moment that is set.
func first(a, b time.Time) time.Time {
	if a.IsZero() {
		return b
	}
	return a
}

// noLevel is a vessel of which no level is to be told.
func (t *teller) noLevel() {
	s := t.s
	switch s.Status {
	case bake.StatusBlind:
		t.at("unseen", s.Estimate.LastSeen, nil)
		t.tell("blind", nil)
		if r := s.Estimate.Ready; !r.IsZero() && s.Holds == estimator.Dough {
			key := "blind.ready"
			if s.Estimate.ReadyIsPast {
				key = "blind.reached"
			}
			t.out.Sentence = t.say("say."+key, text.Values{"mark": t.mark(), "at": r.Median})
		}
	case bake.StatusPlanned:
		t.planned()
	case bake.StatusCatchingUp:
		t.word("catching_up")
		t.tell("catching_up", nil)
	default:
		t.word("nothing")
		t.tell("nothing."+string(s.Holds), nil)
	}
}

// planned is a plan whose dough is not here yet: the big time is when the bread is
// wanted.
func (t *teller) planned() {
	p := t.s.Plan
	w := p.Ready
	if w.IsZero() {
		w = p.Planned
	}
	t.at("bread", first(w.Median, p.Wanted), nil)
	t.strip(w)
	t.tell("planned", text.Values{"wanted": p.Wanted})
}

// starter is a fed starter: its peak is what counts.
func (t *teller) starter() {
	e, c := &t.s.Estimate, t.s.Care
	v := text.Values{"percent": e.RisePercent, "peak_percent": e.PeakPercent}
	if c != nil {
		v["from"], v["until"], v["hungry"] = c.UseFrom, c.UseUntil, c.Hungry.Median
	}
	switch {
	case t.s.Status == bake.StatusStarterPeak:
		t.at("peak", first(e.PeakAt, e.PhaseSince), nil)
	case t.s.Status == bake.StatusStarterFalling:
		t.at("sinking", e.PhaseSince, nil)
	case t.s.Status == bake.StatusStarterHungry:
		t.at("hungry", e.PhaseSince, nil)
	case c != nil && c.Peak.Until.After(t.s.At):
		t.at("peak_about", c.Peak.Median, nil)
		t.strip(c.Peak)
	case !e.Ready.IsZero() && !e.ReadyIsPast:
		t.at("about", e.Ready.Median, text.Values{"mark": Upper(t.mark())})
		t.strip(e.Ready)
	default:
		t.at("fed", t.s.Rise.StartedAt, nil)
	}
	key := string(t.s.Status)
	if c != nil && t.l.Has("page.say."+key+".care") {
		key += ".care"
	}
	t.tell(key, v)
}

// afterBulk is a shaped loaf on its way to the table.
func (t *teller) afterBulk() {
	a := t.s.After
	if a == nil {
		a = &bake.After{CoreC: math.NaN()}
	}
	v := text.Values{"core_c": a.CoreC, "low_c": a.Done.LowC, "best_c": a.Done.BestC, "slice_c": a.SliceC}
	key := string(t.s.Status)
	switch t.s.Status {
	case bake.StatusProving, bake.StatusProvingCold:
		t.at("oven_about", first(a.Until.Median, t.stepAt(bake.BakeID)), nil)
		t.strip(a.Until)
		if t.s.Status == bake.StatusProving && a.Basis != "" {
			key += "." + string(a.Basis)
		}
	case bake.StatusDivided:
		t.at("oven_about", t.stepAt(bake.BakeID), nil)
	case bake.StatusProved:
		t.at("oven_since", a.Since, nil)
	case bake.StatusPreheating:
		t.at("oven_about", t.stepAt(bake.BakeID), nil)
	case bake.StatusOven:
		t.at("out_about", first(a.Until.Median, t.stepAt(bake.OutID)), nil)
		t.strip(a.Until)
		key += t.core(a)
	case bake.StatusBaked:
		t.at("done_since", a.Since, nil)
		key += t.core(a)
	case bake.StatusCooling:
		t.at("cut_about", first(a.Until.Median, t.stepAt(bake.SliceID)), nil)
		t.strip(a.Until)
		key += t.core(a)
	default:
		t.cut(a)
		return
	}
	t.tell(key, v)
}

// core is the end of a key when a probe tells the core.
func (t *teller) core(a *bake.After) string {
	if math.IsNaN(a.CoreC) || a.CoreC == 0 {
		return ""
	}
	return ".core"
}

// cut is a loaf that can be cut, or was.
func (t *teller) cut(a *bake.After) {
	if t.s.After != nil && t.s.After.Stage == bake.Sliceable {
		t.at("cut_since", a.Since, nil)
		t.tell("sliceable", nil)
		return
	}
	t.word("done")
	t.out.Sentence = ""
	if e := t.s.Rise; !e.ReachedAt.IsZero() && e.EndedAt.After(e.ReachedAt) {
		t.tell("waited", text.Values{"mark": t.markOf(e.TargetPercent), "at": e.ReachedAt, "span": t.span(e.EndedAt.Sub(e.ReachedAt))})
	}
}

// markOf is the name of a rise in percent.
func (t *teller) markOf(percent float64) string {
	if math.Abs(percent-100) < 0.5 {
		return t.say("mark.doubled", nil)
	}
	return t.say("mark.percent", text.Values{"percent": percent})
}

// stepAt is when a step falls; zero when there is none.
func (t *teller) stepAt(id string) time.Time {
	x, _ := t.step(id)
	return x.At
}
