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
// with its process. The points are in order of time, and numbers.
type Track struct {
	Loaf       []tempPoint      `json:"loaf,omitempty"` // the shaped dough: measured, else followed from the room
	Jar        []tempPoint      `json:"jar,omitempty"`  // the sample jar by its own probe
	ProofBy    estimator.Window `json:"proof_by"`       // when the final proof is over; zero before it begins
	ProofBasis ProofBasis       `json:"proof_basis,omitempty"`
	ProofWhy   Said             `json:"proof_said"`
	Core       []tempPoint      `json:"core_c,omitempty"` // the probe in the loaf
	DoneAt     time.Time        `json:"done_at"`          // when the core got into the done range; zero before
	Done       Core             `json:"done"`
	CoolBy     estimator.Window `json:"cool_by"` // when the loaf will be cool enough to slice by that probe; zero without one
}

// moved is the track with every moment as move changes it, for a clock that was set.
func (t Track) moved(move func(*time.Time)) Track {
	for _, points := range []*[]tempPoint{&t.Loaf, &t.Jar, &t.Core} {
		*points = slices.Clone(*points)
		for i := range *points {
			move(&(*points)[i].At)
		}
	}
	for _, at := range []*time.Time{&t.DoneAt, &t.ProofBy.From, &t.ProofBy.Median, &t.ProofBy.Until, &t.CoolBy.From, &t.CoolBy.Median, &t.CoolBy.Until} {
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

// trackEvery is how far apart temperatures of a proof are kept.
const trackEvery = 5 * time.Minute

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
	byTime := proofByTime(begun, now, t.Loaf, airC, d.Usual)
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
			w, why = t.loafReady(begun, now, w, airC)
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

// trackProof keeps the temperatures of loaf and jar.
func (p *Process) trackProof(now, begun time.Time, startC, airC float64, basket, sample *estimator.Estimate) {
	t := &p.Track
	if n := len(t.Loaf); n > 0 && (t.Loaf[0].At.Before(begun) || t.Loaf[n-1].At.After(now)) {
		t.Loaf, t.Jar = nil, nil // of an earlier shaping that was taken back
	}
	loaf := tempPoint{begun, startC}
	if n := len(t.Loaf); n > 0 {
		loaf = t.Loaf[n-1]
		if now.Sub(loaf.At) < trackEvery {
			return
		}
	}
	switch {
	case basket != nil && !math.IsNaN(basket.DoughC):
		loaf.C = basket.DoughC
	case math.IsNaN(airC):
	case math.IsNaN(loaf.C):
		loaf.C = airC
	default:
		loaf.C = followed(loaf.C, airC, p.pieceKg(), now.Sub(loaf.At))
	}
	if !math.IsNaN(loaf.C) {
		t.Loaf = append(t.Loaf, tempPoint{now, loaf.C})
	}
	if sample != nil && !math.IsNaN(sample.DoughC) {
		t.Jar = append(t.Jar, tempPoint{now, sample.DoughC})
	}
}

// followed is the temperature of a piece of dough without a probe after a while
// in the room.
func followed(startC, roomC, massKg float64, d time.Duration) float64 {
	return roomC + (startC-roomC)*math.Exp(-d.Hours()/FollowHours(massKg))
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

// equivalent adds up the hours at 24 C between two moments: straight between
// the points, the nearest point's value outside. NaN without any point.
func equivalent(points []tempPoint, from, until time.Time) float64 {
	if len(points) == 0 {
		return math.NaN()
	}
	const step = 5 * time.Minute
	sum, i := 0.0, 0
	for t := from; t.Before(until); t = t.Add(step) {
		d := min(step, until.Sub(t))
		mid := t.Add(d / 2)
		for i+1 < len(points) && !points[i+1].At.After(mid) {
			i++
		}
		sum += d.Hours() * Speed(between(points, i, mid))
	}
	return sum
}

// between is the temperature at t, where points[i] is the last point before it.
func between(points []tempPoint, i int, t time.Time) float64 {
	a := points[i]
	if i+1 >= len(points) || t.Before(a.At) {
		return a.C
	}
	b := points[i+1]
	share := float64(t.Sub(a.At)) / float64(b.At.Sub(a.At))
	return a.C + share*(b.C-a.C)
}

// fromNow is the temperature from now on: the room's, or the last one where that is not
// known (0 or NaN).
func fromNow(points []tempPoint, roomC float64) float64 {
	if n := len(points); n > 0 && (roomC == 0 || math.IsNaN(roomC)) {
		return points[n-1].C
	}
	return roomC
}

// proofByTime gives when a final proof is over without a level sensor: by
// equivalent time, need being the usual minutes at 24 C. temps is the dough's
// temperature so far, roomC what it is expected to be from now on (NaN when not known:
// the last value holds).
func proofByTime(begun, now time.Time, temps []tempPoint, roomC float64, need Spread) estimator.Window {
	done := equivalent(temps, begun, now)
	if math.IsNaN(done) {
		done = now.Sub(begun).Hours() * Speed(roomC)
	}
	speed := Speed(fromNow(temps, roomC))
	at := func(m int) time.Time { return now.Add(HoursOf((float64(m)/60 - done) / speed)) }
	return estimator.Window{From: at(need.LowMin), Median: at(need.MidMin), Until: at(need.HighMin)}
}

// loafReady turns the forecast of the sample jar, a small jar of the same dough that
// cools and warms faster, into the loaf's: the loaf is ready when it has had as much
// equivalent time as the jar will have had at its mark. The words say by how much the
// jar runs ahead. roomC is where both go from now on; NaN when not known.
func (t *Track) loafReady(begun, now time.Time, jar estimator.Window, roomC float64) (estimator.Window, Said) {
	ej, el := equivalent(t.Jar, begun, now), equivalent(t.Loaf, begun, now)
	if math.IsNaN(ej) || math.IsNaN(el) || jar.IsZero() {
		return jar, Said{Key: "why.proof.sample"}
	}
	at := func(at time.Time) time.Time {
		need := equivalent(t.Jar, begun, at) // a mark already passed
		if at.After(now) {
			need = ej + at.Sub(now).Hours()*Speed(fromNow(t.Jar, roomC))
		}
		if need < el {
			return t.loafHad(need, begun, now)
		}
		return now.Add(HoursOf((need - el) / Speed(fromNow(t.Loaf, roomC))))
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

// loafHad is when the loaf had so many equivalent hours, before now.
func (t *Track) loafHad(hours float64, begun, now time.Time) time.Time {
	low, high := time.Duration(0), now.Sub(begun)
	for high-low > time.Second {
		mid := (low + high) / 2
		if equivalent(t.Loaf, begun, begun.Add(mid)) < hours {
			low = mid
		} else {
			high = mid
		}
	}
	return begun.Add(high)
}
