package bake_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark/bake"
)

// fahrenheit fills a text in for a household of degrees Fahrenheit and 12 hours.
func fahrenheit(text string) string {
	return bake.Put(text, func(t time.Time) string { return t.UTC().Format("3:04 pm") },
		func(c float64, decimals int) string { return strconv.FormatFloat(c*9/5+32, 'f', decimals, 64) }, "°F")
}

func TestPut(t *testing.T) {
	for text, want := range map[string]string{
		"":                                "",
		"Turn the oven to 250 °C.":        "Turn the oven to 482 °F.",
		"done at 93 to 98 °C":             "done at 199 to 208 °F",
		"between 4 and 60 °C":             "between 39 and 140 °F",
		"90 of 93 °C":                     "194 of 199 °F",
		"at -2.5 °C":                      "at 27.5 °F",
		"due since 2026-03-14T18:05Z; on": "due since 6:05 pm; on",
		"from 2026-03-14T18:05+01:00 to 2026-03-14T20:00Z": "from 5:05 pm to 8:00 pm",
		"at 2026-99-14T18:05Z":                             "at 2026-99-14T18:05Z",
		"1:2:2, 20 h, 3 C, 24° C":                          "1:2:2, 20 h, 3 C, 24° C",
		"Table 18:05 is no moment":                         "Table 18:05 is no moment",
	} {
		assert.Equal(t, want, fahrenheit(text), "%q", text)
	}
	assert.Equal(t, "2026-03-07T10:00+01:00", bake.Stamp(start().In(time.FixedZone("", 3600))))
}

func FuzzPut(f *testing.F) {
	for _, s := range []string{"Turn the oven to 250 °C.", "93 to 98 °C", "2026-03-14T18:05Z", "2026-03-14T18:05+01:00 and 4 °C"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		same := bake.Put(text, bake.Stamp, func(c float64, decimals int) string { return strconv.FormatFloat(c, 'f', decimals, 64) }, "°C")
		if len(same) < len(text)/2 && !strings.Contains(text, "00") { // a number loses the noughts before it
			t.Fatalf("%q became %q", text, same)
		}
		if s := fahrenheit(text); regexp.MustCompile(`\d °C`).MatchString(s) {
			t.Fatalf("%q became %q", text, s)
		}
	})
}

// TestTextsAreWrittenForPut reads the sources of this package and its planner: no
// text holds a time of day of no zone, or a temperature that Put does not find.
func TestTextsAreWrittenForPut(t *testing.T) {
	var files []string
	for _, p := range []string{"*.go", "planner/*.go", "calendar/*.go"} {
		found, err := filepath.Glob(p)
		require.NoError(t, err)
		files = append(files, found...)
	}
	require.Greater(t, len(files), 20)
	wrong := regexp.MustCompile(`Format\("[^"]*15:04"\)|(%\.?\d*[fdg]|\d) C\b`)
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") || file == "planner/when.go" {
			continue
		}
		body, err := os.ReadFile(file)
		require.NoError(t, err)
		for i, line := range strings.Split(string(body), "\n") {
			code, _, _ := strings.Cut(line, "//")
			if strings.Contains(code, `"`) {
				assert.NotRegexp(t, wrong, code, "%s:%d", file, i+1)
			}
		}
	}
}
