package bake

import (
	"math"
	"time"

	"tidemark/estimator"
)

// Chosen is a plan that a vessel follows, as it was chosen.
type Chosen struct {
	Way     string           `json:"way"`
	Wanted  time.Time        `json:"wanted"`
	Planned estimator.Window `json:"planned"` // ready, as the plan had it
	Fridge  Fridge           `json:"fridge"`
	Total   float64          `json:"total_percent"` // the rise a night in the cold is to end at
	Process Process          `json:"process"`       // its steps, none marked
}

// staleAfter is how long after the bread was wanted a plan that never began is
// still followed.
const staleAfter = 24 * time.Hour

// followProcess moves the steps on to now: with the plan, while there is one.
func (s *Session) followProcess(now time.Time) {
	if s.pending() && now.Sub(s.plan.Wanted) > staleAfter {
		s.plan, s.process = nil, nil
	}
	s.steps = nil
	if s.process == nil {
		return
	}
	e := s.ownEstimate()
	s.process.record(now, e)
	s.replan(now)
	s.steps = s.process.Steps(now, s.ownEstimate())
	s.holdCold(now)
	if s.plan != nil && s.plan.Planned.IsZero() {
		s.plan.Planned = readyOf(s.steps) // as its steps are laid out, to be compared with later
	}
}

// holdCold lets a dough that was put into the refrigerator wait there, whatever its bulk
// says: the next step is due when somebody takes it out. A plan with a night in the cold
// knows that time.
func (s *Session) holdCold(now time.Time) {
	if !s.cold || !s.underWay() || s.process.index(TubID) >= 0 {
		return
	}
	for i := range s.steps {
		if x := &s.steps[i]; x.Hands && x.State == DueNow {
			x.State = Waiting
			x.setAt(notBefore(x.window(), now))
		}
	}
}

// ownEstimate is the estimate as the process may see it: neither a rise from before a
// plan whose dough is not there yet is its own, nor the air where the empty vessel
// stands.
func (s *Session) ownEstimate() estimator.Estimate {
	if !s.pending() {
		return s.last
	}
	nan := math.NaN()
	return estimator.Estimate{Time: s.last.Time, Phase: estimator.Idle, DoughC: nan, AirC: nan, RisePercent: nan}
}

// replanEvery is how often the live rise is asked about the plan.
const replanEvery = 5 * time.Minute

// replanFrom is the rise in percent from which the real dough says more than the
// plan: before, the forecast rests on what is usual. This project's choice.
const replanFrom = 10

// replan lets the bulk of a plan end where the real rise, with what the cold still
// adds, lands on target; the mark follows. A mark chosen by a person stands, and so
// does one that is reached.
func (s *Session) replan(now time.Time) {
	e := &s.last
	seen := e.Quality == estimator.QualityOK && (e.Phase == estimator.Rising || e.Phase == estimator.Near) && e.RisePercent >= replanFrom && !e.ReadyIsPast
	if s.plan == nil || s.mark || !seen || !s.underWay() || now.Sub(s.asked) < replanEvery {
		return
	}
	s.asked = now
	change := s.process.Replan(s.last, s.plan.Fridge, s.plan.Total)
	if change.Key == "" {
		return
	}
	moved := Event{Vessel: s.vessel.Name, RiseID: s.rise.ID, At: now, Told: now, By: ByItself, Kind: eventReplan, Detail: Detail{TargetPercent: s.planMark(), Said: &change}}
	s.run.Events = append(s.run.Events, moved)
	s.take(moved)
	s.last = s.est.Estimate(now) // to its new end
	s.followRise()
}

// readyOf is when the bread can be sliced; zero when that is past or not planned.
func readyOf(steps []Step) estimator.Window {
	if x := stepIn(steps, SliceID); x.ID != "" && x.Open() {
		return x.window()
	}
	return estimator.Window{}
}

// planMark is the rise at which the bulk of the plan ends; 0 when it has none of its
// own.
func (s *Session) planMark() float64 {
	if s.plan == nil || s.process == nil {
		return 0
	}
	d, _ := s.process.def(BulkID)
	return d.RisePercent
}

// beyond is the rise up to which a plan must see ahead: what a night in the cold is
// to end at; 0 without one.
func (s *Session) beyond() float64 {
	if s.plan == nil || s.process == nil || s.process.index(RetardID) < 0 {
		return 0
	}
	return s.plan.Total
}

// How the live rise moves the end of a planned bulk: only a forecast with a window no
// wider than tooVague does, by no less than 3 points, nor by less than a third of what the
// forecast doubts there: the rest is its noise. This project's choice. Shaping lies
// between the bulk and the cold; common practice, no source.
const (
	tooVague             = 3 * time.Hour
	leastMove, moveShare = 3.0, 1.0 / 3
	shaping              = 40 * time.Minute
	coldC                = 10.0 // a dough hardly works below
)

// Replan lets the open bulk of a process with a night in the cold end where the live rise,
// with shaping and what the cold still adds, comes to so much. It returns what changed;
// the zero Said when nothing did.
func (p *Process) Replan(e estimator.Estimate, f Fridge, totalPercent float64) Said {
	c := knownOr(e.DoughC, e.AirC)
	w, ok := FanCrossing(e, totalPercent)
	bulk, has := p.def(BulkID)
	if !has || p.closed(BulkID) || p.index(RetardID) < 0 || len(e.Fan) == 0 || c == 0 || !ok || w.Until.Sub(w.From) > tooVague {
		return Said{}
	}
	carry := f.Carry(c, CarryHours, Speed)
	at := Later(w.Median.Add(-HoursOf(carry/Speed(c))), e.Time).Add(-shaping)
	low, end, high := FanAt(e.Fan, Later(at, e.Time))
	end = math.Max(5, math.Round(end))
	if math.Abs(end-bulk.RisePercent) < math.Max(leastMove, moveShare*(high-low)) {
		return Said{}
	}
	p.bulkEndsAt(end)
	v := Values{"bulk_percent": end, "was_percent": bulk.RisePercent, "mass_g": 1000 * f.PieceKg, "cool_tenth": f.until(c, coldC), "cold_c": coldC, "hours_tenth": carry, "usual_c": 24.0}
	if bulk.RisePercent == 0 {
		return Said{"plan.replan", v}
	}
	return Said{"plan.replan.moved", v}
}

// bulkEndsAt lets the bulk end at a rise in percent. One that is over stays as it was.
func (p *Process) bulkEndsAt(percent float64) {
	if p == nil || p.closed(BulkID) {
		return
	}
	p.Edit(BulkID, func(d *StepDef) {
		d.RisePercent, d.Key, d.Values = percent, "bulk.percent", Values{"rise_percent": percent}
	})
}
