package bake

import (
	"cmp"
	"math"
	"time"

	"tidemark/estimator"
	"tidemark/estimator/kinetics"
)

// Span is a stretch of time.
type Span struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
}

// Hours are when a household sleeps, minutes after midnight in its zone, both 0 counting
// as 22:30 and 06:30, and when nobody is at home.
type Hours struct {
	Zone            *time.Location
	BedMin, WakeMin int
	Away            []Span
}

// Grace is how far into the night, at either end, a hand is still lent.
const Grace = 30 * time.Minute

// local fills in the usual hours, and takes t into the household's zone.
func (h Hours) local(t time.Time) (Hours, time.Time) {
	if h.BedMin == h.WakeMin {
		h.BedMin, h.WakeMin = 22*60+30, 6*60+30
	}
	if h.Zone != nil {
		t = t.In(h.Zone)
	}
	return h, t
}

// Asleep reports whether t lies in a night, less some time at either end.
func (h Hours) Asleep(t time.Time, edge time.Duration) bool {
	h, t = h.local(t)
	const day = 24 * 60
	m, length, spare := (t.Hour()*60+t.Minute()-h.BedMin+day)%day, (h.WakeMin-h.BedMin+day)%day, int(edge.Minutes())
	return m > spare && m < length-spare
}

// away is the time away that t lies in; zero when somebody is at home.
func (h Hours) away(t time.Time) Span {
	for _, s := range h.Away {
		if t.After(s.From) && t.Before(s.Until) {
			return s
		}
	}
	return Span{}
}

// Busy reports whether nobody can lend a hand at t: asleep, with some grace, or away.
func (h Hours) Busy(t time.Time) bool { return h.Asleep(t, Grace) || h.away(t) != Span{} }

// Free returns the last moment not after t, and the first not before it, at which somebody
// is awake and at home.
func (h Hours) Free(t time.Time) (before, after time.Time) {
	before, after = t, t
	for range len(h.Away) + 2 {
		if h.Asleep(before, 0) {
			before = h.Night(before).From
		}
		if h.Asleep(after, 0) {
			after = h.Night(after).Until
		}
		if s := h.away(before); s != (Span{}) {
			before = s.From
		}
		if s := h.away(after); s != (Span{}) {
			after = s.Until
		}
	}
	return before, after
}

// Night is the night that t lies in, or the next one.
func (h Hours) Night(t time.Time) Span {
	h, t = h.local(t)
	y, m, d := t.Date()
	for day := d - 1; ; day++ {
		until := day
		if h.WakeMin <= h.BedMin {
			until++
		}
		bed, wake := time.Date(y, m, day, 0, h.BedMin, 0, 0, t.Location()), time.Date(y, m, until, 0, h.WakeMin, 0, 0, t.Location())
		if wake.After(t) {
			return Span{bed, wake}
		}
	}
}

// Advice is something to be done in time, because the dough would want a hand when
// nobody can lend one.
type Advice struct {
	Key          AdviceKey
	Away         bool      // nobody is at home then; else everybody sleeps
	At           time.Time // when it would want a hand
	By           time.Time // the last good moment to do it
	Then         time.Time // when somebody is there again
	LandsPercent float64   // the rise it comes to in the cold; NaN when that is not told
	Tap          EventKind // tells that it was done
}

// AdviceKey says what to do.
type AdviceKey string

// What there is to do in time.
const (
	AdviseFridge  AdviceKey = "fridge"  // the tub into the cold, shape it afterwards
	AdviseShort   AdviceKey = "short"   // the same, but it will have to rise on afterwards
	AdviseShape   AdviceKey = "shape"   // shape now and put the loaf into the cold: the tub would go too far there
	AdviseLoaf    AdviceKey = "loaf"    // the shaped loaf into the cold, bake afterwards
	AdviseStarter AdviceKey = "starter" // the starter into the cold, use or feed it afterwards
)

// adviseAhead is how long before its last moment a thing is worth a message and a
// button. This project's choice.
const adviseAhead = 90 * time.Minute

// CarryHours is how long the cold is taken to add to a rise: by then a tub has cooled.
const CarryHours = 16

// Urgent reports whether the time to do it has come.
func (a *Advice) Urgent(now time.Time) bool {
	return a != nil && !now.Before(a.By.Add(-adviseAhead))
}

// Words returns the keys of the sentences that say it, and their values.
func (a *Advice) Words(now time.Time) (keys []string, values map[string]any) {
	why, when := "asleep", ".by"
	if a.Away {
		why = "away"
	}
	if a.By.Sub(now) < 5*time.Minute {
		when = ".now"
	}
	return []string{"in_time." + why, "in_time." + string(a.Key) + when},
		map[string]any{"at": a.At, "by": a.By, "then": a.Then, "lands_percent": a.LandsPercent}
}

// advise says what to do in time, and until when: so that what the cold still does ends
// where the dough is wanted, but while somebody is up; nil for nothing. A dough that is
// still right when somebody comes needs nothing.
func (s *State) advise(h Hours) *Advice {
	e, ahead := &s.Estimate, s.ahead
	a := &Advice{LandsPercent: math.NaN(), Tap: EventFridge}
	switch {
	case s.InFridge || s.ProofOf != "" || s.Status == StatusBlind || s.Status == StatusCatchingUp:
		return nil
	case s.RiseID == 0 && s.After != nil && s.After.Stage == Proofing:
		a.Key, a.At = AdviseLoaf, s.After.Until.Median
	case s.RiseID != 0 && s.Holds == estimator.Starter && s.Care != nil && s.Care.UseFrom.After(s.At):
		a.Key, a.At, ahead = AdviseStarter, s.Care.Peak.Median, 0
	case s.RiseID != 0 && s.Holds == estimator.Dough && !e.ReadyIsPast && !e.LevelsOffShort && len(e.Fan) > 0:
		a.Key, a.At = AdviseFridge, e.Ready.Median
	}
	busy, away := s.unattended(h, a.At)
	if !a.At.After(s.At) || busy.From.IsZero() || busy.From.Before(s.At.Add(-Grace)) {
		return nil
	}
	a.Away, a.Then, a.By = away, busy.Until, Later(s.At, Earlier(busy.From, a.At.Add(-ahead)))
	if a.Key != AdviseFridge {
		return a
	}
	_, then, _ := FanAt(e.Fan, a.Then)
	_, lands, _ := FanAt(e.Fan, a.By.Add(ahead))
	switch a.LandsPercent = lands; {
	case then <= cmp.Or(s.OverPercent, e.TargetPercent) && !e.Fan[len(e.Fan)-1].Time.Before(a.Then):
		return nil
	case lands < LowShare*e.TargetPercent:
		a.Key = AdviseShort
	case s.OverPercent > 0 && lands > s.OverPercent:
		a.Key, a.Tap, a.LandsPercent = AdviseShape, EventShaped, math.NaN()
	}
	return a
}

// unattended is the stretch around a moment in which nobody can lend a hand; zero when
// somebody can.
func (s *State) unattended(h Hours, at time.Time) (busy Span, away bool) {
	if h.Away = append(Absences(s.Events), s.away...); h.Busy(at) {
		busy.From, busy.Until = h.Free(at)
	}
	return busy, h.away(at) != Span{}
}

// Absences returns when nobody is there, as events tell it.
func Absences(events []Event) []Span {
	var out []Span
	for _, e := range events {
		if e.Away != nil && !e.Undone() {
			out = append(out, *e.Away)
		}
	}
	return out
}

// coldAhead is how much time at its present warmth the cold is worth to so many
// kilograms of dough.
func (s *State) coldAhead(kg float64) time.Duration {
	c := knownOr(s.Estimate.DoughC, s.Estimate.AirC)
	if c == 0 || !(kg > 0) {
		return 0
	}
	f := Fridge{AirC: kinetics.FridgeC, PieceKg: kg}
	return HoursOf(f.Carry(c, CarryHours, Speed) / Speed(c))
}

// kg is the mass of what stands here: the whole dough, or one shaped piece; 0 when it is
// not known.
func (s *Session) kg() float64 {
	switch {
	case s.process != nil && s.rise.ID != 0 && !s.underWay():
		return s.process.pieceKg()
	case s.last.BaselineL > 0:
		return s.last.BaselineL / specificVolumeLPerKg
	}
	n := s.dough().Numbers() // none is known
	return n.TotalG / 1000
}

// Outlook is what becomes of a rising dough that stays out, percent of rise.
type Outlook struct {
	At            time.Time
	P10, P50, P90 float64
	ColdPercent   float64 // what it comes to when it is put into the cold then
	Under, Over   bool    // short of its target by more than is right; beyond what is right
	ColdOver      bool    // beyond what is right in the cold
}

// StaysOut says what becomes of the dough that stays out until a moment, or until the end
// of its forecast; nil when that is not known.
func (s *State) StaysOut(until time.Time) *Outlook {
	e := &s.Estimate
	if s.RiseID == 0 || s.Holds != estimator.Dough || s.InFridge || len(e.Fan) == 0 || s.OverPercent == 0 || s.WorkingOut || math.IsNaN(e.RisePercent) || until.Before(s.At) {
		return nil
	}
	o := &Outlook{At: until}
	o.P10, o.P50, o.P90 = FanAt(e.Fan, o.At)
	_, o.ColdPercent, _ = FanAt(e.Fan, o.At.Add(s.ahead))
	o.Under, o.Over, o.ColdOver = o.P50 < LowShare*e.TargetPercent, o.P50 > s.OverPercent, o.ColdPercent > s.ColdPercent
	return o
}

// When a rise that no sensor sees is looked at: some time after the start, then when it
// may be at a half, three quarters and all of its target, but neither soon nor very long
// after a look. This project's choice: each look narrows the time that is told.
const (
	firstLookHours = 2.0 // equivalent hours
	lookSoonest    = 40 * time.Minute
	lookLatest     = 90 * time.Minute
)

// lookAt is when a person should look how far a dough has risen that no sensor sees; zero
// for never. Nobody is asked at night or when away.
func (s *State) lookAt(h Hours) time.Time {
	e := &s.Estimate
	if !s.ByHand || s.RiseID == 0 || s.WorkingOut || s.InFridge || e.ReadyIsPast || e.Phase == estimator.Ended {
		return time.Time{}
	}
	last := time.Time{}
	for _, x := range s.Events {
		if x.Kind == EventLook {
			last = Later(last, x.At)
		}
	}
	at := e.Started.Add(HoursOf(firstLookHours / Speed(knownOr(e.DoughC, e.AirC))))
	if !last.IsZero() {
		at = last.Add(lookLatest)
		for _, share := range []float64{0.5, 0.75, 1} {
			if w, ok := FanCrossing(*e, share*e.TargetPercent); ok && w.From.Sub(last) >= lookSoonest {
				at = Earlier(at, w.From)
			}
		}
	}
	if busy, _ := s.unattended(h, Later(at, s.At)); !busy.Until.IsZero() {
		return busy.Until
	}
	return at
}

// knownOr returns the first temperature that is known; 0 for none.
func knownOr(c, otherwise float64) float64 {
	if math.IsNaN(c) {
		return finite(otherwise)
	}
	return c
}
