package alert

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
)

// TestTheCatalogueKnowsTheSteps: what package bake words anew must be worded anew in
// the catalogue, or it is told otherwise on the phone than on the page.
func TestTheCatalogueKnowsTheSteps(t *testing.T) {
	en, err := text.Load("en")
	require.NoError(t, err)
	words := bake.Words()
	assert.Greater(t, len(words), 100)
	for key, want := range words {
		assert.Equal(t, want, en[key], key)
	}
}

func TestStepsInGerman(t *testing.T) {
	s := newScene(t, text.Locale{Language: "de"})
	o := s.w.observation(s.in)
	p := bake.DefaultProcess(noon(), 24)
	by := map[string]bake.Step{}
	for _, x := range p.Steps(noon(), s.in.Estimate) {
		by[x.ID] = x
	}
	name, do, caution := o.stepWords(by["fold-2"])
	assert.Equal(t, "falten", name)
	assert.Equal(t, "Nasse Hände; jede Seite hochziehen und überschlagen.", do)
	assert.Empty(t, caution)
	_, do, caution = o.stepWords(by[bake.PreheatID])
	assert.Equal(t, "Den Ofen auf 250\u00a0°C stellen, den leeren Topf samt Deckel darin.", do)
	assert.Contains(t, caution, "schmelzen oder verbrennen")
	_, _, caution = o.stepWords(by[bake.MixID])
	assert.Contains(t, caution, "Rohes Mehl", "the caution in German, what the batch adds after it")
	assert.NotContains(t, caution, "Raw flour")
	_, do, _ = o.stepWords(bake.Step{ID: "divide", Name: "divide", Do: "Divide it on the marble."})
	assert.Equal(t, "Divide it on the marble.", do, "what a person worded stays")
}
