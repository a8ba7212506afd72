package alert

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
)

// TestTheCatalogueKnowsTheStepsThatAreTold: a step of the default bread that is
// worded anew must be worded anew in the catalogue, or it is told in English.
func TestTheCatalogueKnowsTheStepsThatAreTold(t *testing.T) {
	en, err := text.Load("en")
	require.NoError(t, err)
	de := text.New(text.Locale{Language: "de"})
	told := 0
	for _, d := range bake.DefaultProcess(noon(), 24).Defs {
		if !d.Hands && d.Trigger != bake.ByRise {
			continue // runs by itself and is not told
		}
		told++
		key := "step." + d.ID
		if strings.HasPrefix(d.ID, "fold-") {
			key = "step.fold"
		}
		assert.Equal(t, d.Name, en[key+".name"], d.ID)
		assert.Equal(t, d.Do, en[key+".do"], d.ID)
		assert.True(t, strings.HasPrefix(d.Caution, en[key+".caution"]), d.ID)
		assert.NotEqual(t, d.Do, de.Instead(key+".do", d.Do), d.ID)
	}
	assert.Greater(t, told, 10)
}

func TestStepsInGerman(t *testing.T) {
	s := newScene(t, Rules{Household: text.Locale{Language: "de"}})
	w := s.w.look(s.in)
	name, do, caution := w.stepWords(bake.Step{ID: "fold-2", Name: "fold", Do: "Wet hands; stretch each side up and fold it over."})
	assert.Equal(t, "falten", name)
	assert.Equal(t, "Nasse Hände; jede Seite hochziehen und überschlagen.", do)
	assert.Empty(t, caution)
	name, do, caution = w.stepWords(bake.Step{ID: "divide", Name: "divide", Do: "Divide it on the marble.",
		Caution: "Raw flour may carry germs such as E. coli or Salmonella: do not taste the dough, and wash hands, tools and the probe. Nuts inside."})
	assert.Equal(t, "teilen", name)
	assert.Equal(t, "Divide it on the marble.", do, "what a person worded stays")
	assert.Equal(t, "Rohes Mehl kann Keime wie E. coli oder Salmonellen tragen: den Teig nicht probieren, Hände, Geräte und Fühler waschen. Nuts inside.", caution)
}
