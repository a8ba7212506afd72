package estimator

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A low mark keeps the fan short; asked for more, its middle reaches beyond the
// mark, and no other figure changes.
func TestFanReachesBeyondTheMark(t *testing.T) {
	s := plain()
	s.hours = 2
	run := func(fanTo float64) Estimate {
		e, err := New(s.config())
		require.NoError(t, err)
		e.SetTarget(40)
		e.SetFanTo(fanTo)
		e.SetFanTo(-1)
		e.SetFanTo(math.NaN())
		var last Estimate
		s.run(e, time.Minute, func(_ float64, x Estimate) { last = x; checkEstimate(t, x) })
		return last
	}
	end := func(x Estimate) float64 { return x.Fan[len(x.Fan)-1].P50Percent }
	short := run(0)
	require.NotEmpty(t, short.Fan)
	far := end(short) + 10
	require.Less(t, far, short.CeilingPercent-5, "the dough can get there")
	long := run(far)
	assert.GreaterOrEqual(t, end(long), far)
	assert.Equal(t, short.Ready, long.Ready)
	assert.Equal(t, short.Phase, long.Phase)
	assert.Equal(t, end(run(30)), end(short), "a level below the mark asks for nothing more")
}
