package app

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// TestOutOfOrderIsAskedBack: what must have happened before an event is asked for, and
// nothing is taken in meanwhile.
func TestOutOfOrderIsAskedBack(t *testing.T) {
	b := newBench(t)
	b.clock.Set(b.start.Add(time.Hour))
	for _, x := range []struct {
		kind, asks bake.EventKind
		step       string
	}{
		{kind: bake.EventFold, asks: bake.EventStart},
		{kind: bake.EventShaped, asks: bake.EventStart},
		{kind: bake.EventLook, asks: bake.EventStart},
		{kind: bake.EventStart},
		{kind: bake.EventFold},
		{kind: bake.EventBegun, step: bake.BakeID, asks: bake.EventShaped},
		{kind: bake.EventBaked, asks: bake.EventShaped},
		{kind: bake.EventShaped},
		{kind: bake.EventBaked, asks: bake.EventBegun},
		{kind: bake.EventDone, step: bake.PreheatID},
		{kind: bake.EventBegun, step: bake.BakeID},
		{kind: bake.EventDone, step: bake.SliceID, asks: bake.EventBaked},
		{kind: bake.EventBaked},
		{kind: bake.EventDone, step: bake.SliceID},
	} {
		b.clock.Set(b.clock.Now().Add(10 * time.Minute))
		err := b.app.Do(t.Context(), bake.Event{Vessel: "tub", By: "test", Kind: x.kind, Detail: bake.Detail{StepID: x.step, SeenPercent: 20}})
		var no bake.Refusal
		if x.asks == "" {
			require.NoError(t, err, x.kind)
			continue
		}
		require.ErrorAs(t, err, &no, x.kind)
		require.NotNil(t, no.Ask, no.Why)
		assert.Equal(t, x.asks, no.Ask.Kind, x.kind)
		assert.True(t, no.Ask.At.Before(b.clock.Now()))
	}
	assert.Equal(t, bake.StatusDone, b.app.State("tub").Status)
}
