package estimator

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestReasonsAreAllThatIsCounted(t *testing.T) {
	var e Estimator
	for r := range e.rejected {
		e.rejected[r] = 1
	}
	got := Reasons()
	assert.Len(t, e.counts(), len(got))
	for word := range e.counts() {
		assert.Contains(t, got, word)
	}
	assert.NotContains(t, got, "")
	assert.NotContains(t, got, rMissing.word())
	assert.Len(t, slices.Compact(slices.Sorted(slices.Values(got))), len(got), "each once")
}
