package bake

import (
	"math"
	"slices"
	"time"

	"tidemark/estimator"
)

// ProofBasis says what the time of a final proof rests on.
type ProofBasis string

// The bases of a final proof.
const (
	BasketBasis ProofBasis = "basket" // a sensor over the basket
	SampleBasis ProofBasis = "sample" // a small jar of the same dough
	TimeBasis   ProofBasis = "time"   // equivalent time: nothing watches it
)

// tempPoint is one temperature of dough or loaf, Celsius.
type tempPoint struct {
	At time.Time `json:"at"`
	C  float64   `json:"c"`
}

// Track is what is measured of a bake after its bulk. It is plain data, kept
// with its process. The points of the core are in order of time, and numbers.
type Track struct {
	Begun      time.Time        `json:"begun"`    // the final proof that Loaf and Jar are of
	Loaf       piece            `json:"loaf_now"` // the shaped dough: measured, else followed from the room
	Jar        piece            `json:"jar_now"`  // the sample jar by its own probe
	ProofBy    estimator.Window `json:"proof_by"` // when the final proof is over; zero before it begins
	ProofBasis ProofBasis       `json:"proof_basis,omitempty"`
	ProofWhy   Said             `json:"proof_said"`
	Core       []tempPoint      `json:"core_c,omitempty"` // the probe in the loaf
	DoneAt     time.Time        `json:"done_at"`          // when the core got into the done range; zero before
	Done       Core             `json:"done"`
	CoolBy     estimator.Window `json:"cool_by"` // when the loaf will be cool enough to slice by that probe; zero without one
}

// piece is a piece of dough in its final proof as it was seen last; the zero piece was
// never seen.
type piece struct {
	At    time.Time `json:"at"`
	C     float64   `json:"c"`
	Hours float64   `json:"hours"` // at 24 C, since the proof began
}

// follow takes in how warm the piece is, Celsius; NaN tells nothing. What is seen first
// held since the proof began.
func (p *piece) follow(begun, now time.Time, c float64) {
	if math.IsNaN(c) {
		return
	}
	if p.At.IsZero() {
		p.At, p.C = begun, c
	}
	p.Hours += now.Sub(p.At).Hours() * (Speed(p.C) + Speed(c)) / 2
	p.At, p.C = now, c
}

// had is the hours at 24 C that the piece has had by a moment, as warm as it is.
func (p piece) had(at time.Time) float64 { return p.Hours + at.Sub(p.At).Hours()*Speed(p.C) }

// speed is how fast the piece works from now on: as the room has it, or as warm as it is
// where that is not known (NaN).
func (p piece) speed(roomC float64) float64 {
	if math.IsNaN(roomC) {
		return Speed(p.C)
	}
	return Speed(roomC)
}

// moved is the track with every moment as move changes it, for a clock that was set.
func (t Track) moved(move func(*time.Time)) Track {
	t.Core = slices.Clone(t.Core)
	for i := range t.Core {
		move(&t.Core[i].At)
	}
	for _, at := range []*time.Time{&t.Begun, &t.Loaf.At, &t.Jar.At, &t.DoneAt, &t.ProofBy.From, &t.ProofBy.Median, &t.ProofBy.Until, &t.CoolBy.From, &t.CoolBy.Median, &t.CoolBy.Until} {
		move(at)
	}
	return t
}

// proofBegun returns when the final proof began; ok is false when none is under
// way. It begins with the step before it and ends when the step is done, left
// out, or a later one is begun.
func (p *Process) proofBegun() (begun time.Time, ok bool) {
	m := p.Marks[ShapeID]
	if m.State != Done || p.index(ProofID) < 0 || p.closed(ProofID) || p.loaded() {
		return time.Time{}, false
	}
	return m.At, true
}

// joinedLate is how much before the shaping a rise may have begun to count as
// this proof's: people fill the sample jar first.
const joinedLate = 30 * time.Minute

// followProof takes in what is known of the final proof and works its time out
// again: by the sensor over the basket, else by the sample jar corrected for its
// temperature, else by equivalent time, which also stands while the sensors have
// seen too little to tell it closer. It does nothing outside a final proof. startC is
// the dough at the end of the bulk and airC where it proofs, Celsius; NaN when not known.
func (p *Process) followProof(now time.Time, startC, airC float64, around Around) {
	begun, ok := p.proofBegun()
	if !ok {
		return
	}
	basket, sample := ofThisProof(around.Basket, begun), ofThisProof(around.Sample, begun)
	p.trackProof(now, begun, startC, airC, basket, sample)
	t := &p.Track
	d, _ := p.def(ProofID)
	byTime := t.byTime(now, airC, d.Usual)
	pending := ""
	for _, by := range []struct {
		seen  *estimator.Estimate
		basis ProofBasis
	}{{basket, BasketBasis}, {sample, SampleBasis}} {
		if by.seen == nil {
			continue
		}
		w, why := reaching(*by.seen, d.RisePercent), Said{Key: "why.proof.basket"}
		if by.basis == SampleBasis && !w.IsZero() {
			w, why = t.loafReady(now, w, airC)
		}
		if vague := w.Until.Sub(w.From) > byTime.Until.Sub(byTime.From); w.IsZero() || vague && now.Before(byTime.Median) {
			pending = "." + string(by.basis) // it cannot tell it closer than the usual time yet
			continue
		}
		t.ProofBy, t.ProofBasis, t.ProofWhy = w, by.basis, why
		return
	}
	t.ProofBy, t.ProofBasis, t.ProofWhy = byTime, TimeBasis, Said{Key: "why.proof.time" + pending}
}

// ofThisProof drops an estimate that is not about this proof.
func ofThisProof(e *estimator.Estimate, begun time.Time) *estimator.Estimate {
	if e == nil || e.Started.Before(begun.Add(-joinedLate)) || e.Phase == estimator.Ended || e.Phase == estimator.Idle {
		return nil
	}
	return e
}

// reaching is when a watched rise gets to a level; 0 is its vessel's mark.
func reaching(e estimator.Estimate, risePercent float64) estimator.Window {
	if risePercent == 0 || risePercent == e.TargetPercent {
		return e.Ready
	}
	w, _ := FanCrossing(e, risePercent)
	return w
}

// trackProof follows loaf and jar.
func (p *Process) trackProof(now, begun time.Time, startC, airC float64, basket, sample *estimator.Estimate) {
	t := &p.Track
	if !t.Begun.Equal(begun) || t.Loaf.At.After(now) { // an earlier shaping was taken back
		t.Begun, t.Loaf, t.Jar = begun, piece{}, piece{}
		t.Loaf.follow(begun, begun, startC)
	}
	loafC := airC
	switch {
	case basket != nil && !math.IsNaN(basket.DoughC):
		loafC = basket.DoughC
	case !t.Loaf.At.IsZero():
		loafC += (t.Loaf.C - airC) * math.Exp(-now.Sub(t.Loaf.At).Hours()/FollowHours(p.pieceKg()))
	}
	t.Loaf.follow(begun, now, loafC)
	if sample != nil {
		t.Jar.follow(begun, now, sample.DoughC)
	}
}

// usualPieceKg is the mass of a piece of dough when no batch tells it; common
// practice, no source.
const usualPieceKg = 0.8

// pieceKg is the mass of one piece of dough.
func (p *Process) pieceKg() float64 {
	if n, err := p.Batch.Numbers(); err == nil {
		return n.PerLoafG / 1000
	}
	return usualPieceKg
}

// byTime is when a final proof is over without a level sensor: by equivalent time, need
// being the usual minutes at 24 C. roomC is where the dough goes from now on; NaN when
// not known.
func (t *Track) byTime(now time.Time, roomC float64, need Spread) estimator.Window {
	done := now.Sub(t.Begun).Hours() * Speed(roomC)
	if !t.Loaf.At.IsZero() {
		done = t.Loaf.had(now)
	}
	at := func(m int) time.Time { return now.Add(HoursOf((float64(m)/60 - done) / t.Loaf.speed(roomC))) }
	return estimator.Window{From: at(need.LowMin), Median: at(need.MidMin), Until: at(need.HighMin)}
}

// loafReady turns the forecast of the sample jar, a small jar of the same dough that
// cools and warms faster, into the loaf's: the loaf is ready when it has had as much
// equivalent time as the jar will have had at its mark. The words say by how much the
// jar runs ahead. roomC is where both go from now on; NaN when not known.
func (t *Track) loafReady(now time.Time, jar estimator.Window, roomC float64) (estimator.Window, Said) {
	if t.Jar.At.IsZero() || t.Loaf.At.IsZero() {
		return jar, Said{Key: "why.proof.sample"}
	}
	ej, el := t.Jar.had(now), t.Loaf.had(now)
	at := func(mark time.Time) time.Time {
		need, speed := t.Jar.had(mark), t.Loaf.speed(roomC)
		if mark.After(now) {
			need = ej + mark.Sub(now).Hours()*t.Jar.speed(roomC)
		}
		if need < el {
			speed = Speed(t.Loaf.C)
		}
		return now.Add(HoursOf((need - el) / speed))
	}
	w := estimator.Window{From: at(jar.From), Median: at(jar.Median), Until: at(jar.Until)}
	doubt := time.Duration(0.1 * math.Abs(float64(w.Median.Sub(jar.Median)))) // of the correction itself
	w.From, w.Until = w.From.Add(-doubt), w.Until.Add(doubt)
	switch ahead := HoursOf(ej - el).Round(time.Minute); {
	case ahead > 2*time.Minute:
		return w, Said{"why.proof.sample.ahead", Values{"span": ahead}}
	case ahead < -2*time.Minute:
		return w, Said{"why.proof.sample.behind", Values{"span": -ahead}}
	}
	return w, Said{Key: "why.proof.sample"}
}
