package web

import (
	"math"

	"tidemark/bake"
	"tidemark/estimator"
)

// like are loaves in a row that were judged alike.
type like struct {
	outcome string
	n       int
}

// advice is the target that like judgements ask for.
type advice struct {
	Outcome string
	N       int
	Percent float64
}

// Advice is given after leastLike like judgements in a row, and is one step of at most
// adviceStep of the target at a time.
const (
	leastLike  = 2
	adviceStep = 0.1
)

// advice says whether the target of a rise under way should be another; nil when the
// judgements do not agree or a person chose the target already.
func (l like) advice(state bake.State) *advice {
	target := nextTarget(state.Estimate.TargetPercent, l)
	if target == 0 || state.RiseID == 0 || state.Holds != estimator.Dough || state.MarkChosen || state.ProofOf != "" || state.Estimate.ReadyIsPast {
		return nil
	}
	return &advice{l.outcome, l.n, target}
}

// nextTarget is the target that like judgements ask for; 0 for the present one.
func nextTarget(percent float64, l like) float64 {
	step := adviceStep * percent
	switch {
	case l.n < leastLike || percent <= 0:
		return 0
	case l.outcome == "over":
		return math.Ceil(percent - step)
	case l.outcome == "under":
		return math.Floor(percent + step)
	}
	return 0
}

// inARow counts how many of the newest judged rises have the same outcome.
func inARow(newestFirst []bake.Rise) like {
	var l like
	for _, r := range newestFirst {
		switch {
		case r.Outcome == "":
			continue
		case l.n > 0 && r.Outcome != l.outcome:
			return l
		}
		l.outcome, l.n = r.Outcome, l.n+1
	}
	return l
}
