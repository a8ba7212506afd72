package survey_test

import (
	"os"
	"regexp"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/sensor"
)

// TestWiringPageShowsValidConfiguration checks every piece of configuration on
// the wiring page, and that each kind is there.
func TestWiringPageShowsValidConfiguration(t *testing.T) {
	page, err := os.ReadFile("../../deploy/wiring.md")
	require.NoError(t, err)
	pieces := regexp.MustCompile("`(\\{kind: [^`]*\\})`").FindAllSubmatch(page, -1)
	require.Greater(t, len(pieces), 12)
	seen := map[sensor.Kind]bool{}
	for _, p := range pieces {
		var s sensor.Spec
		require.NoError(t, yaml.UnmarshalWithOptions(p[1], &s, yaml.Strict()), "%s", p[1])
		q := sensor.Distance
		if s.Kind == sensor.KindW1 || s.Kind == sensor.KindBME280 {
			q = sensor.Temperature
		}
		assert.NoError(t, s.Validate(q), "%s", p[1])
		seen[s.Kind] = true
	}
	for _, k := range sensor.Kinds(sensor.Distance) {
		assert.True(t, seen[k], "the page does not show kind %s", k)
	}
}
