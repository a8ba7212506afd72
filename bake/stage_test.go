package bake

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestTheTableOfStages: each step of each bake is in it once, and each event finds its step.
func TestTheTableOfStages(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range stages() {
		assert.False(t, seen[s.ID], "%s stands twice", s.ID)
		seen[s.ID] = true
	}
	b := DefaultBatch()
	b.AtOnce = 1
	p := NewProcess(b, start(), 24)
	for _, d := range p.Fed([]Feed{{At: start(), StarterG: 20, FlourG: 40, WaterG: 40}, {At: at(15, 0), StarterG: 20, FlourG: 40, WaterG: 40}}, at(21, 0)).TubRetarded().Defs {
		assert.NotEmpty(t, stageOf(d.ID).ID, d.ID)
	}
	assert.Equal(t, OutID, stageOf("out-3").ID, "of the third load")
	assert.Equal(t, benchID, stageOf("bench-rest").ID, "a word is no number")

	require.NoError(t, p.Done("salt", at(9, 45), "Ada"))
	require.NoError(t, p.markFor(Event{Kind: EventFold, At: at(10, 15)}))
	for kind, id := range map[EventKind]string{EventStart: saltID, EventFold: "fold-2", EventEnd: BulkID, EventShaped: ShapeID, EventBaked: OutID, EventNote: "", EventFridge: "", "": ""} {
		assert.Equal(t, id, p.stepOf(Event{Kind: kind}), kind)
	}
	assert.Equal(t, SliceID, p.stepOf(Event{Kind: EventDone, Detail: Detail{StepID: SliceID}}))
	assert.Equal(t, SliceID, (*Process)(nil).stepOf(Event{Kind: EventBegun, Detail: Detail{StepID: SliceID}}))
	assert.Empty(t, (*Process)(nil).stepOf(Event{Kind: EventShaped}))
	for id, leaves := range map[string]bool{divideID: true, ShapeID: true, "fold-1": false, OutID: false} {
		assert.Equal(t, leaves, Event{Kind: EventDone, Detail: Detail{StepID: id}}.Ends(), id)
	}
}
