package history

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"tidemark/estimator"
)

// Common is what the household's best-rated rises had in common.
type Common struct {
	Right, Other int             // rises rated "right", and rated otherwise
	Findings     []CommonFinding // the surest first
	None         string          // why there is no finding, in words; empty otherwise
}

// CommonFinding is one number that sets the best-rated rises apart.
type CommonFinding struct {
	Feature     Feature
	Low, High   float64 // the middle half of the best-rated
	RightMedian float64
	OtherMedian float64
	N           int     // rises that know the number
	Distance    float64 // median distance of the others to RightMedian
	P           float64 // chance of so clear a difference if the rating were a lottery, all looks counted
}

const (
	commonNeeds = 5    // at least so many on each side
	commonMost  = 200  // the newest rated rises; older ones tell of another starter
	commonLevel = 0.05 // how often chance alone may be believed
	shuffles    = 4999
)

// CommonOf looks for what the rises rated "right" had in common and the others
// had not. It asks of each feature whether the right ones lie closer together than
// the others lie to them, by a permutation test on ranks (so that "neither too
// warm nor too cold" is found as well as "warmer"), and believes the answer only
// after a correction for having asked often (Holm, S. (1979), A simple
// sequentially rejective multiple test procedure, Scand. J. Stat. 6, 65-70). It
// does not say that one thing caused the other. The same rises always give the
// same answer.
func CommonOf(rises []Rise, holds estimator.Holds) Common {
	rises = slices.DeleteFunc(slices.Clone(rises), func(r Rise) bool { return r.Outcome == "" || r.Holds != holds })
	slices.SortFunc(rises, func(a, b Rise) int { return b.StartedAt.Compare(a.StartedAt) })
	rises = rises[:min(len(rises), commonMost)]
	var c Common
	var facts []Facts
	for _, r := range rises {
		facts = append(facts, FactsOf(r))
		if r.Outcome == "right" {
			c.Right++
		} else {
			c.Other++
		}
	}
	if c.Right < commonNeeds || c.Other < commonNeeds {
		c.None = fmt.Sprintf("%d rises judged right and %d judged otherwise are needed; there are %d and %d.", commonNeeds, commonNeeds, c.Right, c.Other)
		return c
	}
	var asked []CommonFinding
	for _, feature := range Features() {
		if f, ok := ask(facts, feature); ok {
			asked = append(asked, f)
		}
	}
	c.Findings = believe(asked)
	if len(c.Findings) == 0 {
		c.None = fmt.Sprintf("Nothing that was measured sets the %d rises judged right clearly apart from the %d others.", c.Right, c.Other)
	}
	return c
}

// ask tests one feature, unless too few rises know it.
func ask(facts []Facts, feature Feature) (CommonFinding, bool) {
	var values []float64
	var right []bool
	var in, out []float64
	for _, f := range facts {
		v := feature.Of(f)
		if math.IsNaN(v) {
			continue
		}
		isRight := f.Rise.Outcome == "right"
		values, right = append(values, v), append(right, isRight)
		if isRight {
			in = append(in, v)
		} else {
			out = append(out, v)
		}
	}
	if len(in) < commonNeeds || len(out) < commonNeeds {
		return CommonFinding{}, false
	}
	f := CommonFinding{Feature: feature, N: len(values), RightMedian: median(in), OtherMedian: median(out)}
	f.Low, f.High = quantile(in, 0.25), quantile(in, 0.75)
	var distance []float64
	for _, v := range out {
		distance = append(distance, math.Abs(v-f.RightMedian))
	}
	f.Distance = median(distance)
	f.P = permutation(values, right)
	return f, true
}

// quantile interpolates in sorted values.
func quantile(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

// ranked sorts the values and returns their mid-ranks, from 1, with what belongs to
// each.
func ranked(values []float64, right []bool) ([]float64, []bool) {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(values[a], values[b]) })
	rank, of := make([]float64, len(values)), make([]bool, len(values))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && values[order[j]] == values[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			rank[k], of[k] = float64(i+j+1)/2, right[order[k]]
		}
		i = j
	}
	return rank, of
}

// permutation is the chance that shuffled ratings set the right ones apart as
// clearly as the real ones do. The shuffles are always the same. They end early once
// the chance cannot be small enough to be believed any more: it is then the least it
// could be, as in sequential Monte Carlo tests (Besag, J. and Clifford, P. (1991),
// Biometrika 78, 301-304, from memory).
func permutation(values []float64, right []bool) float64 {
	rank, shuffled := ranked(values, right)
	in := make([]float64, 0, len(rank))
	real := apart(rank, shuffled, in)
	random := rand.New(rand.NewPCG(1, 2))
	asClear := 1
	for range shuffles {
		random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if apart(rank, shuffled, in) >= real-1e-9 {
			asClear++
		}
		if float64(asClear) > commonLevel*(shuffles+1) {
			break
		}
	}
	return float64(asClear) / (shuffles + 1)
}

// apart is how much farther the others lie from the middle of the right ones than
// those do themselves, in ranks. The ranks are sorted; in is working space.
func apart(rank []float64, right []bool, in []float64) float64 {
	in = in[:0]
	for i, r := range rank {
		if right[i] {
			in = append(in, r)
		}
	}
	middle := (in[(len(in)-1)/2] + in[len(in)/2]) / 2
	var near, far float64
	for i, r := range rank {
		if right[i] {
			near += math.Abs(r - middle)
		} else {
			far += math.Abs(r - middle)
		}
	}
	n := float64(len(in))
	return far/(float64(len(rank))-n) - near/n
}

// believe keeps the findings that stand after Holm's correction and are large
// enough to matter, the surest first, with their corrected chance.
func believe(asked []CommonFinding) []CommonFinding {
	slices.SortStableFunc(asked, func(a, b CommonFinding) int { return cmp.Compare(a.P, b.P) })
	var out []CommonFinding
	worst := 0.0
	for i, f := range asked {
		worst = max(worst, min(1, f.P*float64(len(asked)-i)))
		if worst > commonLevel {
			break
		}
		if f.P = worst; f.Distance >= f.Feature.Matters {
			out = append(out, f)
		}
	}
	return out
}
