package app

import (
	"math"
	"time"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/estimator"
	"tidemark/sensor"
)

// aid is what others see of a vessel's final proof; nil where nothing watches.
type aid struct{ basket, sample *estimator.Estimate }

// aidOf copies what the basket and the sample jar of a vessel see. No pipe may be
// locked.
func (a *App) aidOf(of string) aid {
	var out aid
	for _, name := range a.order {
		p := a.pipes[name]
		if p.link.of != of {
			continue
		}
		e := a.Estimate(name)
		if p.link.as == bake.BasketBasis {
			out.basket = &e
		} else {
			out.sample = &e
		}
	}
	return out
}

// link says for whose final proof a vessel stands; it never changes.
type link struct {
	of string // empty: for none
	as bake.ProofBasis
}

// linkOf reads the link of a vessel from its configuration.
func linkOf(proofOf, sampleOf string) link {
	switch {
	case proofOf != "":
		return link{proofOf, bake.BasketBasis}
	case sampleOf != "":
		return link{sampleOf, bake.SampleBasis}
	}
	return link{}
}

// servedBy is what a basket or sample jar is to a loaf, for its messages. No pipe
// may be locked.
func (a *App) servedBy(l link) alert.Bread {
	b := alert.Bread{Proof: l.as, ProofOf: l.of}
	p := a.pipes[l.of]
	if p == nil || l.as != bake.SampleBasis {
		return b
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.process == nil {
		return b
	}
	_, under := p.process.Proofing()
	if under && p.process.Track.ProofBasis == bake.SampleBasis {
		b.LoafBy = p.process.Track.ProofBy
	}
	b.Told = !b.LoafBy.IsZero() || p.after != nil && p.after.Stage != bake.Proofing
	return b
}

// trackKept is how often what is measured after the bulk is written down.
const trackKept = 10 * time.Minute

// followBread takes in what is known of the bake after its bulk.
func (p *pipe) followBread(now time.Time, seen aid) {
	if p.rise.ID != 0 && p.last.Phase != estimator.Ended && !math.IsNaN(p.last.DoughC) {
		p.bulkC = p.last.DoughC
	}
	if p.process == nil {
		return
	}
	was := p.process.Track
	air := p.roomC(seen)
	p.process.FollowProof(now, bake.ProofInput{StartC: p.startC(), AirC: air, Basket: seen.basket, Sample: seen.sample})
	closed := p.process.FollowCore(now, bake.CoreInput{CoreC: value(p.taken.fresh(loafRole, now, freshFor)), RoomC: air, AltitudeM: p.altitudeM})
	t := &p.process.Track
	grown := len(t.Loaf) != len(was.Loaf) || len(t.Core) != len(was.Core)
	if closed || t.DoneAt != was.DoneAt || grown && now.Sub(p.trackKept) >= trackKept {
		p.trackKept = now
		p.keepProcess()
	}
}

// startC is the dough at the end of its bulk, NaN when it was not measured.
func (p *pipe) startC() float64 {
	if p.bulkC > 0 {
		return p.bulkC
	}
	return nan()
}

// roomC is the air where the loaf proofs and cools: by the thermometer nearest to
// it.
func (p *pipe) roomC(seen aid) float64 {
	for _, e := range []*estimator.Estimate{seen.basket, seen.sample, &p.last} {
		if e != nil && !math.IsNaN(e.AirC) {
			return e.AirC
		}
	}
	return nan()
}

// tellAfter works out what to say of the bake after its bulk.
func (p *pipe) tellAfter(now time.Time) {
	p.after = nil
	if p.process == nil {
		return
	}
	if after, ok := p.process.After(now, p.steps); ok {
		p.after = &after
	}
}

// Core takes in one reading of the probe in a vessel's loaf. A vessel that is not
// configured is ignored.
func (a *App) Core(vessel string, at time.Time, r sensor.Reading) {
	if p := a.pipes[vessel]; p != nil {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.health.note(string(loafRole), r)
		p.taken.took(loafRole, r, at)
	}
}
