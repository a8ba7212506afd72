package web

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"tidemark/bake"
)

// TestAdviceAfterLikeJudgements: two like judgements in a row move the target by one
// step of at most a tenth; any other order moves nothing.
func TestAdviceAfterLikeJudgements(t *testing.T) {
	for name, tc := range map[string]struct {
		outcomes []string // newest first
		target   float64
		n        int
		want     float64
	}{
		"nothing judged":           {nil, 100, 0, 0},
		"one too late":             {[]string{"over", "right"}, 100, 1, 0},
		"two too late":             {[]string{"over", "over", "right"}, 100, 2, 90},
		"three too early":          {[]string{"under", "", "under", "under"}, 100, 3, 110},
		"right":                    {[]string{"right", "right"}, 100, 2, 0},
		"they do not agree":        {[]string{"over", "under", "over"}, 100, 1, 0},
		"never more than a tenth":  {[]string{"over", "over"}, 85, 2, 77},
		"never more than one step": {[]string{"under", "under"}, 85, 2, 93},
	} {
		var rises []bake.Rise
		for _, o := range tc.outcomes {
			rises = append(rises, bake.Rise{Judgement: bake.Judgement{Outcome: o}})
		}
		l := inARow(rises)
		assert.Equal(t, tc.n, l.n, name)
		assert.InDelta(t, tc.want, nextTarget(tc.target, l), 1e-9, name)
	}
}
