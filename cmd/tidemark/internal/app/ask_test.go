package app

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
	"tidemark/bake"
	"tidemark/cmd/tidemark/internal/config"
)

// TestOutOfOrderIsAskedBack: what must have happened before an event is asked for, and
// nothing is taken in meanwhile.
func TestOutOfOrderIsAskedBack(t *testing.T) {
	t.Parallel()
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

// TestRefusalsSpeakTheHouseholdsLanguage: nothing that a household is refused, or told
// after a change, is worded here instead of in the catalogue.
func TestRefusalsSpeakTheHouseholdsLanguage(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	known, err := text.Load("de")
	require.NoError(t, err)
	found := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		body, err := os.ReadFile(name)
		require.NoError(t, err)
		assert.NotContains(t, string(body), "Refusal{Why:", name)
		for _, m := range regexp.MustCompile(`\b(?:Refuse|because)\("([a-z_]+)"`).FindAllStringSubmatch(string(body), -1) {
			found++
			assert.NotEmpty(t, known["refused."+m[1]], m[1])
		}
	}
	assert.Greater(t, found, 25)
	german := text.New(text.Locale{Language: "de"})
	for typed, says := range map[string]string{
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 2000}":                  "das Wasser je Mehl, das des Sauerteigs mitgezählt, muss 35 bis 150 % sein, es ist 222,2 %",
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 600, bake_in: sock}":    `gefunden "sock"`,
		"holds: dough, batch: {flours: [{name: wheat, grams: 900}], water_g: 600, inclusions: [{}]}": "ein Name wird gebraucht",
		"holds: starter, feed: {starter_g: 1, flour_g: 500, water_g: 1}":                             "502-fach verdünnt",
	} {
		_, err := config.Parse("kitchen.yaml", []byte("vessels: [{name: tub, profile: {shape: straight, diameter_mm: 200, height_mm: 150}, floor_mm: 240, "+typed+"}]"), config.WithoutSensors)
		var problems config.Problems
		require.ErrorAs(t, err, &problems)
		said := ""
		for _, s := range problems.ByField(config.Sheet{}, german) {
			said += s
		}
		assert.Contains(t, said, says)
	}
}
