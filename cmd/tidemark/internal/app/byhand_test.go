package app

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
)

// handConfig is a bowl that no sensor sees, in a kitchen without a thermometer.
const handConfig = `
household: {time_zone: UTC}
vessels:
  - name: tub
    holds: dough
    height: {kind: hand}
`

// TestByHand: with no sensor at all a household is asked for a few looks at sensible
// times, and the near warning comes in time. The dough is invented.
func TestByHand(t *testing.T) {
	t.Parallel()
	_, err := config.Parse("hand.yaml", []byte(handConfig), config.Sensors)
	require.NoError(t, err, "the service takes it")
	b := newBenchOf(t, handConfig)
	b.do(bake.Event{Kind: bake.EventStart})
	rise := func(at time.Time) float64 { return invented(time.Duration(float64(at.Sub(b.start)) / 1.6)) }
	doubled := b.start
	for rise(doubled) < 100 {
		doubled = doubled.Add(time.Minute)
	}
	looks, near := 0, time.Time{}
	var asked []string
	for now := b.start; now.Before(doubled); {
		now = now.Add(time.Minute)
		b.clock.Set(now)
		for _, a := range b.app.Advance(now) {
			switch a.Kind {
			case alert.Near:
				near = now
			case alert.LookDue:
				assert.Contains(t, a.Text, "How far has tub risen?")
			case alert.SensorLost, alert.SensorSuspect:
				t.Errorf("%s of a vessel without one", a.Kind)
			}
		}
		if s := b.app.State("tub"); s.Now.Tap == bake.EventFold {
			b.do(bake.Event{Kind: bake.EventFold})
		} else if s.Now.Key == bake.TodoSee && now.Sub(s.LookAt) >= 5*time.Minute {
			looks++
			asked = append(asked, now.Format("15:04"))
			b.do(bake.Event{Kind: bake.EventLook, Detail: bake.Detail{SeenPercent: 5 * math.Round(rise(now)/5)}}) // to the next twentieth, as an eye sees
		}
	}
	t.Logf("looks at %v; near told at %s, doubled at %s, forecast %s", asked, near.Format("15:04"), doubled.Format("15:04"), b.app.State("tub").Estimate.Ready.Median.Format("15:04"))
	assert.True(t, looks >= 2 && looks <= 5, "%d looks", looks)
	require.False(t, near.IsZero(), "no near warning")
	assert.InDelta(t, 30, doubled.Sub(near).Minutes(), 25)
}
