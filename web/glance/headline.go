package glance

import (
	"math"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// head is what stands first: a word over a time, the range of that time where it is still
// ahead, and a sentence. Words and sentence are keys of the catalogue. Without a time the
// word of the status stands in its place.
type head struct {
	word  string
	at    time.Time
	strip estimator.Window
	say   string
}

// headline fills word, big time, distance, range and sentence.
func (t *teller) headline() {
	s, e := t.s, &t.s.Estimate
	t.v = text.Values{"percent": e.RisePercent, "target_percent": e.TargetPercent, "rate_percent": e.RatePercentPerHour,
		"ceiling_percent": e.CeilingPercent, "peak_percent": e.PeakPercent, "mark": t.mark(e.TargetPercent)}
	h := t.head()
	if h.say != "" {
		t.out.Sentence = t.say("say."+h.say, t.v)
	}
	if h.word == "since" {
		t.out.Sentence += " " + t.say("say.no_forecast", nil)
	}
	if h.word == "stops" {
		t.out.Word, t.out.Big = t.say("word.stops", nil), strings.ReplaceAll(t.l.Percent(e.CeilingPercent), "\u00a0", "\u202f")
		return
	}
	if h.at.IsZero() {
		t.out.Big = Upper(t.say("state."+string(s.Status), nil))
		return
	}
	t.out.Word, t.out.IsTime, t.out.Away = Upper(t.say("word."+h.word, t.v)), true, t.away(h.at)
	t.out.Big, t.out.Suffix, _ = strings.Cut(t.l.At(time.Time{}).Clock(h.at), " ")
	zone := t.l.Locale().Zone
	if day := h.at.In(zone); day.YearDay() != s.At.In(zone).YearDay() || day.Year() != s.At.In(zone).Year() {
		t.out.Day = t.l.Weekday(h.at)
	}
	if w := h.strip; !w.IsZero() && w.Until.Sub(w.From) >= 2*time.Minute && w.Until.After(s.At) {
		whole := w.Until.Sub(s.At).Seconds() * 1.12
		share := func(at time.Time) float64 { return math.Max(0, at.Sub(s.At).Seconds()/whole) }
		t.out.Strip = &Strip{0, share(w.From), share(w.Median), share(w.Until), t.l.Clock(w.From), t.l.Clock(w.Until)}
	}
}

// head is one row for each status.
func (t *teller) head() head {
	s, e, a, key := t.s, &t.s.Estimate, t.s.After, string(t.s.Status)
	if a == nil {
		a = &bake.After{CoreC: math.NaN()}
	}
	core := key
	if !math.IsNaN(a.CoreC) && a.CoreC != 0 { // a probe tells it
		core += ".core"
	}
	t.v["core_c"], t.v["low_c"], t.v["best_c"], t.v["slice_c"] = a.CoreC, a.Done.LowC, a.Done.BestC, a.SliceC
	none, oven := estimator.Window{}, t.stepAt(bake.BakeID)
	switch s.Status {
	case bake.StatusCatchingUp:
		return head{say: key}
	case bake.StatusNothing:
		return head{say: key + "." + string(s.Holds)}
	case bake.StatusBlind:
		return t.blind()
	case bake.StatusPlanned: // when the bread is wanted
		w := s.Plan.Ready
		if w.IsZero() {
			w = s.Plan.Planned
		}
		t.v["wanted"] = s.Plan.Wanted
		return head{"bread", first(w.Median, s.Plan.Wanted), w, key}
	case bake.StatusStarterRising, bake.StatusStarterPeak, bake.StatusStarterFalling, bake.StatusStarterHungry:
		return t.starter()
	case bake.StatusReady, bake.StatusPast, bake.StatusStalling:
		h := t.atMark()
		if math.IsNaN(e.RisePercent) {
			h.say = "unseen"
		}
		return h
	case bake.StatusSettling, bake.StatusWaiting, bake.StatusRising, bake.StatusCold, bake.StatusNear:
		if s.Holds == estimator.Starter && s.Care != nil {
			return t.starter()
		}
		return t.ahead()
	case bake.StatusProving:
		if a.Basis != "" {
			key += "." + string(a.Basis)
		}
		return head{"oven_about", first(a.Until.Median, oven), a.Until, key}
	case bake.StatusProvingCold:
		return head{"oven_about", first(a.Until.Median, oven), a.Until, key}
	case bake.StatusDivided, bake.StatusPreheating:
		return head{"oven_about", oven, none, key}
	case bake.StatusProved:
		return head{"oven_since", a.Since, none, key}
	case bake.StatusOven:
		return head{"out_about", first(a.Until.Median, t.stepAt(bake.OutID)), a.Until, core}
	case bake.StatusBaked:
		return head{"done_since", a.Since, none, core}
	case bake.StatusCooling:
		return head{"cut_about", first(a.Until.Median, t.stepAt(bake.SliceID)), a.Until, core}
	}
	if a.Stage == bake.Sliceable {
		return head{"cut_since", a.Since, none, "sliceable"}
	}
	if r := s.Rise; !r.ReachedAt.IsZero() && r.EndedAt.After(r.ReachedAt) {
		t.v["mark"], t.v["at"], t.v["span"] = t.mark(r.TargetPercent), r.ReachedAt, t.span(r.EndedAt.Sub(r.ReachedAt))
		return head{say: "waited"}
	}
	return head{}
}

// blind is a vessel that cannot be seen.
func (t *teller) blind() head {
	h := head{word: "unseen", at: t.s.Estimate.LastSeen, say: "blind"}
	if r := t.s.Estimate.Ready; !r.IsZero() && t.s.Holds == estimator.Dough {
		t.v["at"] = r.Median
		h.say = "blind.ready"
		if t.s.Estimate.ReadyIsPast {
			h.say = "blind.reached"
		}
	}
	return h
}

// ahead is a dough on its way.
func (t *teller) ahead() head {
	e, key := &t.s.Estimate, string(t.s.Status)
	if t.s.Status == bake.StatusWaiting || t.s.Status == bake.StatusSettling || math.IsNaN(e.RatePercentPerHour) || e.RatePercentPerHour < 1 {
		key += ".still"
	}
	if math.IsNaN(e.RisePercent) {
		key = "unseen"
	}
	switch {
	case e.Ready.IsZero():
		return head{word: "since", at: t.s.Rise.StartedAt, say: key}
	case e.ReadyIsPast: // in the fridge
		return head{word: "reached", at: e.Ready.Median, say: key}
	}
	return head{"about", e.Ready.Median, e.Ready, key}
}

// atMark is a dough at its mark, past it, or that will not get there.
func (t *teller) atMark() head {
	e := &t.s.Estimate
	switch {
	case t.s.Status == bake.StatusStalling && math.IsNaN(e.CeilingPercent):
		return head{say: "stalling.open"}
	case t.s.Status == bake.StatusStalling:
		return head{word: "stops", say: "stalling"}
	case t.s.Status == bake.StatusReady:
		h := head{word: "reached", at: first(e.Ready.Median, e.PhaseSince), say: "ready"}
		if w, ok := bake.FanCrossing(*e, t.s.OverPercent); ok && t.s.OverPercent > 0 && w.Median.After(t.s.At.Add(5*time.Minute)) {
			t.v["at"], h.say = w.Median, "ready.until"
		}
		return h
	case e.Phase == estimator.Fallen:
		return head{word: "sinking", at: e.PhaseSince, say: "fallen"}
	case e.Exhausted && !e.ReadyIsPast:
		return head{word: "stopped", at: e.PhaseSince, say: "exhausted"}
	}
	return head{word: "past", at: first(e.Ready.Median, e.PhaseSince), say: "past"}
}

// starter is a fed starter: its peak is what counts.
func (t *teller) starter() head {
	e, c, key := &t.s.Estimate, t.s.Care, string(t.s.Status)
	if c == nil {
		c = &bake.Care{}
	} else if t.l.Has("page.say." + key + ".care") {
		key += ".care"
	}
	t.v["from"], t.v["until"], t.v["hungry"] = c.UseFrom, c.UseUntil, c.Hungry.Median
	switch {
	case t.s.Status == bake.StatusStarterPeak:
		return head{word: "peak", at: first(e.PeakAt, e.PhaseSince), say: key}
	case t.s.Status == bake.StatusStarterFalling:
		return head{word: "sinking", at: e.PhaseSince, say: key}
	case t.s.Status == bake.StatusStarterHungry:
		return head{word: "hungry", at: e.PhaseSince, say: key}
	case c.Peak.Until.After(t.s.At):
		return head{"peak_about", c.Peak.Median, c.Peak, key}
	case !e.Ready.IsZero() && !e.ReadyIsPast:
		return head{"about", e.Ready.Median, e.Ready, key}
	}
	return head{word: "fed", at: t.s.Rise.StartedAt, say: key}
}

// mark is the name of a rise in percent: doubled, or its percent.
func (t *teller) mark(percent float64) string {
	if math.Abs(percent-100) < 0.5 {
		return t.say("mark.doubled", nil)
	}
	return t.say("mark.percent", text.Values{"percent": percent})
}

// first returns the first moment that is set.
func first(a, b time.Time) time.Time {
	if a.IsZero() {
		return b
	}
	return a
}

// stepAt is when a step falls; zero when there is none.
func (t *teller) stepAt(id string) time.Time {
	x, _ := t.step(id)
	return x.At
}
