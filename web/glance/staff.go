package glance

import (
	"math"
	"time"

	"tidemark/bake"
)

// Staff is the tide staff: an upright scale filled to the present level, with its
// mark and a pale band for where the level will be in an hour. Heights are shares
// of the staff, 0 at its foot.
type Staff struct {
	Fill, Band float64 // Band is the top of the pale band; at most Fill without one
	Mark       float64 // negative without one
	MarkText   string
	Ticks      []Tick
	Text       string // the same in a sentence, for whoever does not see it
	Empty      bool   // nothing is known of the level
}

// Tick is one line of the scale; short ones have no text.
type Tick struct {
	At   float64
	Text string
}

// staff is the level of a rise, or how far a loaf is on its way.
func (t *teller) staff() Staff {
	if t.s.After != nil || t.s.RiseID == 0 {
		return t.progress()
	}
	e := &t.s.Estimate
	top := math.Max(165, math.Max(1.65*e.TargetPercent, 1.15*known(e.RisePercent)))
	st := Staff{Mark: e.TargetPercent / top, MarkText: t.l.Number(e.TargetPercent, 0), Empty: math.IsNaN(e.RisePercent)}
	if e.TargetPercent <= 0 {
		st.Mark, st.MarkText = -1, ""
	}
	st.Fill = math.Max(0, known(e.RisePercent)/top)
	if _, mid, _ := bake.FanAt(e.Fan, t.s.At.Add(time.Hour)); len(e.Fan) > 0 && mid > e.RisePercent {
		st.Band = math.Min(1, mid/top)
	}
	step := 50.0
	if top > 330 {
		step = 100
	}
	for p := 0.0; p <= top-step/4; p += step / 2 {
		tick := Tick{At: p / top}
		if math.Mod(p, step) == 0 && math.Abs(p-e.TargetPercent) > step/3 {
			tick.Text = t.l.Number(p, 0)
		}
		st.Ticks = append(st.Ticks, tick)
	}
	key := "staff"
	if st.Empty {
		key = "staff.unknown"
	}
	st.Text = t.say(key, map[string]any{"percent": e.RisePercent, "target_percent": e.TargetPercent})
	return st
}

// known is a number, or 0.
func known(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

// progress is how much of its time a loaf has had; the mark is the end.
func (t *teller) progress() Staff {
	const mark = 0.8
	st := Staff{Mark: -1, Empty: true, Text: t.say("staff.none", nil)}
	a := t.s.After
	if a == nil {
		return st
	}
	until := a.Until.Median
	if until.IsZero() || !until.After(a.Since) {
		if a.Stage == bake.Proofed || a.Stage == bake.LoafDone || a.Stage == bake.Sliceable {
			st.Fill, st.Empty, st.Mark = mark, false, mark
		}
		return st
	}
	share := t.s.At.Sub(a.Since).Seconds() / until.Sub(a.Since).Seconds()
	st.Fill, st.Empty, st.Mark = math.Min(1, mark*math.Max(0, share)), false, mark
	st.MarkText = t.l.Clock(until)
	st.Ticks = []Tick{{0, t.l.Clock(a.Since)}, {mark / 4, ""}, {mark / 2, ""}, {3 * mark / 4, ""}}
	st.Text = t.say("staff.time", map[string]any{"from": a.Since, "until": until})
	return st
}
