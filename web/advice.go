package web

import (
	"math"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/estimator"
)

// adviceView is what the last judged loaves say of the target, with the one that a tap
// sets.
type adviceView struct {
	Text, Label, Target string
}

// like are loaves in a row that were judged alike.
type like struct {
	outcome string
	n       int
}

// Advice is given after leastLike like judgements in a row, and is one step of at most
// adviceStep of the target at a time.
const (
	leastLike  = 2
	adviceStep = 0.1
)

// advice says whether the target of a rise under way should be another, from the loaves
// judged last; nil when they do not agree or a person chose the target already.
func (s *Server) advice(state bake.State, l like) *adviceView {
	if state.RiseID == 0 || state.Holds != estimator.Dough || state.MarkChosen || state.ProofOf != "" || state.Estimate.ReadyIsPast {
		return nil
	}
	target := nextTarget(state.Estimate.TargetPercent, l)
	if target == 0 {
		return nil
	}
	words := s.words.At(state.At)
	v := text.Values{"n": l.n, "percent": target}
	return &adviceView{words.Say("page.advice."+l.outcome, v), words.Say("page.advice.take", v), words.Number(target, 0)}
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
