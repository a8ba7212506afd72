package config

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/alert/text"
)

// TestTheTableOfKeys: what the page may set, and nothing that runs or names a program, a
// file or an address to listen at.
func TestTheTableOfKeys(t *testing.T) {
	hidden, all := 0, keys()
	for _, k := range all {
		assert.NotRegexp(t, `_file$|_dir$|\.run$|listen|hosts|tls_|sysfs|every|heartbeat|open_reading|only$|timeout`, k.path)
		if k.hidden() {
			hidden++
		}
	}
	assert.Len(t, all, 60)
	assert.Equal(t, 5, hidden, "address, token, topic, key of signing, password")
	assert.Equal(t, "24h", all[all.find("household.clock")].usual)
	for _, path := range []string{"channels[2].discovery_form", "vessels[+].profile.bottom_mm", "vessels[0].batch.levain.hydration_percent", "vessels[1].feed.water_g"} {
		assert.Less(t, all.find(path), len(all), path)
	}
}

// TestEveryMessageIsInTheCatalogue, and the catalogue has no other of this package.
func TestEveryMessageIsInTheCatalogue(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var source strings.Builder
	for _, name := range files {
		if body, err := os.ReadFile(name); !strings.HasSuffix(name, "_test.go") {
			require.NoError(t, err)
			source.Write(body)
		}
	}
	names := regexp.MustCompile(`(?:\b(?:say|problem)\(|c\.(?:add\(|want\(.*?, )(?:path|path ?\+ ?"[^"]*"(?:\+key)?|"[a-z_.]*"|fmt\.Sprintf\([^)]*\)), )"([a-z_]+)"`).FindAllStringSubmatch(source.String(), -1)
	assert.Greater(t, len(names), 60)
	for _, lang := range []string{"en", "de"} {
		known, err := text.Load(lang)
		require.NoError(t, err)
		for _, m := range names {
			assert.NotEmpty(t, known["config."+m[1]], "%s: %s", lang, m[1])
		}
		for key := range known {
			if name, is := strings.CutPrefix(key, "config."); is {
				assert.True(t, strings.Contains(source.String(), `"`+name+`"`) || name == "place", "%s is never said", name)
			}
		}
	}
}
