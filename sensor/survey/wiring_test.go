package survey

import (
	"os"
	"regexp"
	"testing"

	"github.com/goccy/go-yaml/parser"
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
	seen := map[string]bool{}
	for _, p := range pieces {
		file, err := parser.ParseBytes(p[1], 0)
		require.NoError(t, err, "%s", p[1])
		c, err := sensor.Decode(file.Docs[0].Body, sensor.Distance)
		if err != nil {
			c, err = sensor.Decode(file.Docs[0].Body, sensor.Temperature)
		}
		require.NoError(t, err, "%s", p[1])
		seen[sensor.KindOf(c)] = true
	}
	for _, c := range sensor.Kinds(sensor.Distance) {
		assert.True(t, seen[sensor.KindOf(c)], "the page does not show kind %s", sensor.KindOf(c))
	}
}
