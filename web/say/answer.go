package say

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"tidemark/bake"
	"tidemark/estimator"
)

// Vessel is what the sentences are made from.
type Vessel struct {
	Name     string
	Holds    estimator.Holds
	Estimate estimator.Estimate
	Steps    []bake.Step
	InFridge bool
	Now      time.Time
	After    *bake.After // the bake after its bulk; nil when there is none
	Care     *bake.Care  // of a fed starter; nil when none is watched
}

// Answer is what is said about a vessel before any picture.
type Answer struct {
	When  string // when it is at the mark, or what it is doing
	Level string // how far it is, how fast, how warm
	Next  string // what to do next and when; empty when nothing is planned
	Due   bool   // Next is to be done now
	Blind string // why it is not seen now; empty while it is
}

// For answers for one vessel.
func For(v Vessel, h House) Answer {
	a := Answer{When: when(v, h), Level: level(v, h), Blind: blind(v, h)}
	a.Next, a.Due = next(v, h)
	if v.After != nil {
		a.When, a.Level, a.Blind = afterWhen(v.After, v.Now, h), afterLevel(v.After, h), ""
		if saidByAfter(v.After, a.Due) {
			a.Next = ""
		}
	}
	if v.Care != nil && a.Next == "" {
		a.Next, a.Due = careNext(v.Care, v.Now, h)
	}
	return a
}

// when is the main sentence.
func when(v Vessel, h House) string {
	e := v.Estimate
	switch e.Phase {
	case "", estimator.Idle:
		return "No rise is being watched here."
	case estimator.Ended:
		if e.PhaseSince.IsZero() {
			return "The rise has ended."
		}
		return "The rise ended " + h.At(e.PhaseSince, v.Now) + "."
	case estimator.Ready:
		return "At the mark" + since(first(e.Ready.Median, e.PhaseSince), v.Now, h) + "."
	case estimator.Over:
		return over(v, h)
	case estimator.Fallen, estimator.Falling, estimator.Hungry:
		if risesAgain(e) {
			return "Rising again" + peak(v, h) + "."
		}
		if e.Phase == estimator.Hungry {
			return "Hungry" + since(e.PhaseSince, v.Now, h) + peak(v, h) + ": feed it."
		}
		return "Falling" + since(e.PhaseSince, v.Now, h) + peak(v, h) + "."
	case estimator.Peak:
		return "At its peak" + since(e.PhaseSince, v.Now, h) + peakLevel(e) + "."
	}
	return forecast(v, h)
}

// risesAgain reports whether the level clearly rises: the phase may be some minutes
// behind, and nothing is called hungry or falling while it rises.
func risesAgain(e estimator.Estimate) bool {
	return e.RatePercentPerHour >= 1 && e.RatePercentPerHour > 2*e.RateSD
}

// forecast is the sentence while the mark lies ahead.
func forecast(v Vessel, h House) string {
	e := v.Estimate
	if e.LevelsOffShort {
		return "Most likely it levels off short of the mark" + ceiling(e) + "."
	}
	if e.Ready.IsZero() {
		if e.NoForecast == "" {
			return "No forecast yet: not enough has been seen."
		}
		return stopped(e.NoForecast) // the estimator's reason is a whole sentence
	}
	s := fmt.Sprintf("At the mark between %s (8 in 10), most likely %s.",
		h.Between(e.Ready.From, e.Ready.Until, v.Now), h.short(e.Ready.Median, e.Ready.From, v.Now))
	if c := e.ReachChance; !math.IsNaN(c) && c < 0.9 {
		s += fmt.Sprintf(" The chance that it gets there at all is %s.", InTen(c))
	}
	return s
}

// short names the day of t only if it is not the day of near.
func (h House) short(t, near, now time.Time) string {
	if h.daysApart(t, near) == 0 {
		return h.Clock(t)
	}
	return h.Moment(t, now)
}

// over is the sentence for dough past the mark or without rise left.
func over(v Vessel, h House) string {
	e := v.Estimate
	if e.Exhausted && !e.ReadyIsPast {
		return "No rise left" + since(e.PhaseSince, v.Now, h) + ", short of the mark" + peak(v, h) + "."
	}
	s := "Past the mark" + since(first(e.Ready.Median, e.PhaseSince), v.Now, h)
	if e.Exhausted {
		s += ", and no rise is left"
	}
	return s + "."
}

// first is the first moment that is set.
func first(a, b time.Time) time.Time {
	if a.IsZero() {
		return b
	}
	return a
}

// since writes " since 14:02", or nothing for a zero time.
func since(t, now time.Time, h House) string {
	if t.IsZero() {
		return ""
	}
	return " since " + h.Moment(t, now)
}

// peak writes ", from a peak of 182 % at 16:00".
func peak(v Vessel, h House) string {
	e := v.Estimate
	if math.IsNaN(e.PeakPercent) || e.PeakAt.IsZero() {
		return ""
	}
	return fmt.Sprintf(", peak %s %s", Percent(e.PeakPercent), h.At(e.PeakAt, v.Now))
}

func peakLevel(e estimator.Estimate) string {
	if math.IsNaN(e.PeakPercent) || e.PeakAt.IsZero() {
		return ""
	}
	return ", " + Percent(e.PeakPercent)
}

// ceiling writes ", at about 82 % (8 in 10 between 75 and 90 %)".
func ceiling(e estimator.Estimate) string {
	if math.IsNaN(e.CeilingPercent) || e.CeilingPercent == 0 {
		return ""
	}
	s := ", at about " + Percent(e.CeilingPercent)
	if !math.IsNaN(e.CeilingLow) && !math.IsNaN(e.CeilingHigh) && e.CeilingHigh > e.CeilingLow {
		s += fmt.Sprintf(" (between %.0f and %.0f %%, 8 in 10)", e.CeilingLow, e.CeilingHigh)
	}
	return s
}

// level says how far, how fast and how warm.
func level(v Vessel, h House) string {
	e := v.Estimate
	if e.Phase == "" {
		return "" // no estimate at all
	}
	if e.Phase == estimator.Idle || e.Phase == estimator.Ended {
		return temperatures(e, h)
	}
	var s string
	switch {
	case math.IsNaN(e.RisePercent):
		s = "The level is not known yet."
	case e.Quality == estimator.QualityGap || e.Quality == estimator.QualitySuspect:
		s = fmt.Sprintf("Carried on from what was seen: about %s%s now.", Percent(e.RisePercent), giveOrTake(e.RiseSD))
	default:
		s = fmt.Sprintf("Now %s%s%s.", Percent(e.RisePercent), giveOrTake(e.RiseSD), speed(e))
	}
	if t := temperatures(e, h); t != "" {
		s += " " + t
	}
	return s
}

// giveOrTake writes the doubt of a level, 8 in 10, when it is worth a word.
func giveOrTake(sd float64) string {
	w := sd * 1.2816 // 90th percentile of the normal distribution
	if math.IsNaN(w) || w < 2.5 {
		return ""
	}
	return fmt.Sprintf(" (give or take %.0f, 8 in 10)", w)
}

// speed writes the rate while there is one to speak of.
func speed(e estimator.Estimate) string {
	r := e.RatePercentPerHour
	switch {
	case math.IsNaN(r):
		return ""
	case risesAgain(e):
		return fmt.Sprintf(", rising %.0f %% an hour", r)
	case r <= -1:
		return fmt.Sprintf(", falling %.0f %% an hour", -r)
	}
	return ", hardly moving"
}

// temperatures writes what is known of dough and air.
func temperatures(e estimator.Estimate, h House) string {
	word := "Dough "
	var parts []string
	if !math.IsNaN(e.DoughC) {
		parts = append(parts, word+h.Temperature(e.DoughC))
	}
	if !math.IsNaN(e.AirC) {
		w := "air "
		if len(parts) == 0 {
			w = "Air "
		}
		parts = append(parts, w+h.Temperature(e.AirC))
	}
	if len(parts) == 0 {
		return ""
	}
	return strings.Join(parts, ", ") + "."
}

// blind says since when and why the vessel is not seen.
func blind(v Vessel, h House) string {
	e := v.Estimate
	if e.Phase == "" || e.Phase == estimator.Ended {
		return ""
	}
	reason := "."
	if e.QualityReason != "" {
		reason = stopped(": " + e.QualityReason)
	}
	switch e.Quality {
	case estimator.QualityGap:
		if e.LastSeen.IsZero() {
			return "Not seen yet" + reason
		}
		return "Not seeing the " + Content(v.Holds) + since(e.LastSeen, v.Now, h) + reason
	case estimator.QualitySuspect:
		return "Readings are not believed" + since(e.LastSeen, v.Now, h) + reason
	}
	return ""
}

// stopped ends a sentence that has no end yet.
func stopped(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// next is the first step that is due or waiting and needs a person.
func next(v Vessel, h House) (string, bool) {
	for _, s := range v.Steps {
		if s.State == bake.DueNow {
			return fmt.Sprintf("Now: %s (due %s).", stepWords(s), h.Moment(s.At, v.Now)), true
		}
	}
	var soonest *bake.Step
	for i, s := range v.Steps {
		if s.State == bake.Waiting && !s.At.IsZero() && (soonest == nil || s.At.Before(soonest.At)) {
			soonest = &v.Steps[i]
		}
	}
	if soonest == nil {
		return "", false
	}
	return fmt.Sprintf("Next %s: %s.", stepTime(*soonest, v.Now, h), stepWords(*soonest)), false
}

// stepWords is what to do, as part of a sentence.
func stepWords(s bake.Step) string {
	words := strings.TrimSuffix(strings.TrimSpace(s.Do), ".")
	if words == "" {
		words = s.Name
	}
	return lowerFirst(words)
}

// lowerFirst lets a sentence stand inside another; a word all in capitals stays.
func lowerFirst(s string) string {
	r := []rune(s)
	if len(r) < 2 || unicode.IsUpper(r[1]) {
		return s
	}
	r[0] = unicode.ToLower(r[0])
	return string(r)
}

// Short answers in a few words, for a list of vessels.
func Short(v Vessel, h House) string {
	if v.After != nil {
		return afterShort(v.After, v.Now, h)
	}
	e := v.Estimate
	s := ""
	switch e.Phase {
	case "", estimator.Idle:
		return "nothing is watched"
	case estimator.Ended:
		return "ended, nothing is watched"
	case estimator.Settling, estimator.Lag, estimator.Rising, estimator.Near:
		switch {
		case e.LevelsOffShort:
			s = "levels off short of the mark"
		case e.Ready.IsZero():
			s = "no forecast yet"
		default:
			s = "at the mark most likely " + h.Moment(e.Ready.Median, v.Now)
		}
	case estimator.Fallen, estimator.Falling, estimator.Hungry:
		s = strings.ToLower(phaseWord(e.Phase)) + since(e.PhaseSince, v.Now, h)
		if risesAgain(e) {
			s = "rising again"
		}
	default:
		s = strings.ToLower(phaseWord(e.Phase)) + since(e.PhaseSince, v.Now, h)
	}
	if e.Quality != estimator.QualityOK {
		s += "; not seen" + since(e.LastSeen, v.Now, h)
	}
	return s
}

// stepTime is when a step falls, with its window if it depends on the dough.
func stepTime(s bake.Step, now time.Time, h House) string {
	if s.From.IsZero() || s.Until.IsZero() || s.Until.Sub(s.From) < time.Minute {
		return h.At(s.At, now)
	}
	return "between " + h.Between(s.From, s.Until, now) + " (8 in 10)"
}
