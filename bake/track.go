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

// Track is what is measured of a bake after its bulk. It is plain data, kept
// with its process.
type Track struct {
	Loaf       []tempPoint      `json:"loaf,omitempty"` // the shaped dough: measured, else followed from the room
	Jar        []tempPoint      `json:"jar,omitempty"`  // the sample jar by its own probe
	ProofBy    estimator.Window `json:"proof_by"`       // when the final proof is over; zero before it begins
	ProofBasis ProofBasis       `json:"proof_basis,omitempty"`
	ProofWhy   Said             `json:"proof_said"`
	Core       []corePoint      `json:"core,omitempty"` // the probe in the loaf
	DoneAt     time.Time        `json:"done_at"`        // when the core got into the done range; zero before
	Done       Core             `json:"done"`
}

// moments lists every moment of the track, for a clock that turns out to be
// elsewhere.
func (t *Track) moments() []*time.Time {
	t.Loaf, t.Jar, t.Core = slices.Clone(t.Loaf), slices.Clone(t.Jar), slices.Clone(t.Core)
	out := []*time.Time{&t.DoneAt, &t.ProofBy.From, &t.ProofBy.Median, &t.ProofBy.Until}
	for i := range t.Loaf {
		out = append(out, &t.Loaf[i].At)
	}
	for i := range t.Jar {
		out = append(out, &t.Jar[i].At)
	}
	for i := range t.Core {
		out = append(out, &t.Core[i].At)
	}
	return out
}

// proofBegun returns when the final proof began; ok is false when none is under
// way. It begins with the step before it and ends when the step is done, left
// out, or a later one is begun.
func (p *Process) proofBegun() (begun time.Time, ok bool) {
	m := p.Marks[ShapeID]
	if m.State != Done || p.index(ProofID) < 0 || p.closed(ProofID) {
		return time.Time{}, false
	}
	if s := p.Marks[BakeID].State; s == Started || s == Done {
		return time.Time{}, false
	}
	return m.At, true
}

// proofInput is what is known of a final proof at one moment. A nil estimate
// means that nothing watches there.
type proofInput struct {
	StartC float64             // the dough at the end of the bulk, Celsius; NaN when not known
	AirC   float64             // where it proofs, Celsius; NaN when not known
	Basket *estimator.Estimate // of the sensor over the basket
	Sample *estimator.Estimate // of the sample jar, its own probe in DoughC
}

// trackEvery is how far apart temperatures of a proof are kept.
const trackEvery = 5 * time.Minute

// joinedLate is how much before the shaping a rise may have begun to count as
// this proof's: people fill the sample jar first.
const joinedLate = 30 * time.Minute

// followProof takes in what is known of the final proof and works its time out
// anew: by the sensor over the basket, else by the sample jar corrected for its
// temperature, else by equivalent time, which also stands while the sensors have
// seen too little to tell it closer. It does nothing outside a final proof.
func (p *Process) followProof(now time.Time, in proofInput) {
	begun, ok := p.proofBegun()
	if !ok {
		return
	}
	in.Basket, in.Sample = ofThisProof(in.Basket, begun), ofThisProof(in.Sample, begun)
	p.trackProof(now, begun, in)
	t := &p.Track
	d, _ := p.def(ProofID)
	room := in.AirC
	if math.IsNaN(room) {
		room = 0
	}
	byTime := proofByTime(begun, now, t.Loaf, room, d.Usual)
	pending := ""
	for _, by := range []struct {
		seen  *estimator.Estimate
		basis ProofBasis
	}{{in.Basket, BasketBasis}, {in.Sample, SampleBasis}} {
		if by.seen == nil {
			continue
		}
		w, why := reaching(*by.seen, d.RisePercent), Said{Key: "why.proof.basket"}
		if by.basis == SampleBasis && !w.IsZero() {
			w, why = sampleJar{Begun: begun, Jar: t.Jar, Loaf: t.Loaf, RoomC: room}.ready(now, w)
		}
		if w.IsZero() || vaguer(w, byTime) && now.Before(byTime.Median) {
			pending = "." + string(by.basis) // it cannot tell it closer yet
			continue
		}
		t.ProofBy, t.ProofBasis, t.ProofWhy = w, by.basis, why
		return
	}
	t.ProofBy, t.ProofBasis, t.ProofWhy = byTime, TimeBasis, Said{Key: "why.proof.time" + pending}
}

// vaguer reports whether a window is wider than another: a rise that has hardly
// begun tells less than the usual time.
func vaguer(w, than estimator.Window) bool {
	return w.Until.Sub(w.From) > than.Until.Sub(than.From)
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
func (p *Process) trackProof(now, begun time.Time, in proofInput) {
	t := &p.Track
	if n := len(t.Loaf); n > 0 && (t.Loaf[0].At.Before(begun) || t.Loaf[n-1].At.After(now)) {
		t.Loaf, t.Jar = nil, nil // of an earlier shaping that was taken back
	}
	if n := len(t.Loaf); n > 0 && now.Sub(t.Loaf[n-1].At) < trackEvery {
		return
	}
	if c := p.loafNow(now, begun, in); !math.IsNaN(c) {
		t.Loaf = append(t.Loaf, tempPoint{now, c})
	}
	if in.Sample != nil && !math.IsNaN(in.Sample.DoughC) {
		t.Jar = append(t.Jar, tempPoint{now, in.Sample.DoughC})
	}
}

// loafNow is the shaped dough's temperature: measured in the basket, else
// followed from the room.
func (p *Process) loafNow(now, begun time.Time, in proofInput) float64 {
	if in.Basket != nil && !math.IsNaN(in.Basket.DoughC) {
		return in.Basket.DoughC
	}
	from, since := in.StartC, begun
	if n := len(p.Track.Loaf); n > 0 {
		from, since = p.Track.Loaf[n-1].C, p.Track.Loaf[n-1].At
	}
	switch {
	case math.IsNaN(in.AirC):
		return from
	case math.IsNaN(from):
		return in.AirC
	}
	return followed(from, in.AirC, p.pieceKg(), now.Sub(since))
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
