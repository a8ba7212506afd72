package config

import (
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const kitchen = `# my kitchen
household:
  clock: 24h   # or 12h
  # quiet_from: "22:30"
web: {listen: ":8080", open_reading: true}   # not from the page
channels: []   # none yet
vessels:
  - name: jar
    holds: starter
    floor_mm: 170   # with the lid on
    profile: {shape: straight, diameter_mm: 85,
              height_mm: 150}   # bought in spring
    height: {kind: iio}

  # the big one
  - name: "tub #1"
    floor_mm: 240
    profile:
      - [0, 0]
      - [100, 2.2]   # a line
    holds: dough
  - {name: cup, floor_mm: 90}  # small
`

// change is a value for a path; nil takes the key or entry out.
type change struct {
	path  string
	value any
}

// edit makes changes in a text.
func edit(text []byte, changes []change) ([]byte, error) {
	tree, err := decode(text)
	if err != nil {
		return nil, err
	}
	for _, c := range changes {
		steps, err := stepsOf(c.path)
		if err != nil {
			return nil, err
		}
		if tree, err = with(tree, steps, c.value); err != nil {
			return nil, err
		}
	}
	return rewrite(text, tree)
}

func TestEditTouchesNothingElse(t *testing.T) {
	for _, c := range []struct {
		path     string
		value    any
		old, new string
	}{
		{"household.clock", "12h", "clock: 24h ", "clock: 12h "},
		{"household.quiet_from", "22:30", "# quiet_from: \"22:30\"\n", "# quiet_from: \"22:30\"\n"},
		{"household.clock", nil, "  clock: 24h   # or 12h\n", ""},
		{"web.base_url", "http://kitchen.local:8080", "true}", `true, base_url: "http://kitchen.local:8080"}`},
		{"web.open_reading", nil, ", open_reading: true}", "}"},
		{"vessels[0].floor_mm", 171.5, "floor_mm: 170 ", "floor_mm: 171.5 "},
		{"vessels[0].profile.diameter_mm", 90.0, "diameter_mm: 85,\n              height_mm", "diameter_mm: 90, height_mm"},
		{"vessels[0].profile", []any{[]any{0, 0}, []any{50, 0.25}}, "{shape: straight, diameter_mm: 85,\n              height_mm: 150}", "[[0, 0], [50, 0.25]]"},
		{"vessels[1].profile", []any{[]any{0, 0}, []any{90, 2}}, "      - [100, 2.2]", "      - [90, 2]"},
		{"vessels[1].name", "tub", `"tub #1"`, "tub"},
		{"vessels[1].name", "Brot: groß", `"tub #1"`, `"Brot: groß"`},
		{"vessels[2].floor_mm", 95.0, "90}", "95}"},
		{"vessels[2]", nil, "  - {name: cup, floor_mm: 90}  # small\n", ""},
		{"vessels[0]", nil, kitchen[strings.Index(kitchen, "  - name: jar"):strings.Index(kitchen, "\n  # the big")], ""},
		{"vessels[0].lead", "45m", "height: {kind: iio}\n", "height: {kind: iio}\n    lead: 45m\n"},
		{"channels[+]", yaml.MapSlice{{Key: "name", Value: "phone"}, {Key: "to", Value: []any{"a@b.example"}}},
			"channels: []   # none yet\n", "channels: [{name: phone, to: [a@b.example]}]   # none yet\n"},
		{"vessels[+]", yaml.MapSlice{{Key: "name", Value: "true"}, {Key: "floor_mm", Value: 3.0}}, "# small\n", "# small\n  - name: \"true\"\n    floor_mm: 3\n"},
	} {
		out, err := edit([]byte(kitchen), []change{{c.path, c.value}})
		require.NoError(t, err, c.path)
		want := strings.Replace(kitchen, c.old, c.new, 1)
		if c.path == "household.quiet_from" {
			want = strings.Replace(kitchen, "# or 12h\n", "# or 12h\n  quiet_from: \"22:30\"\n", 1)
		}
		assert.Equal(t, want, string(out), c.path)
	}
}

func TestEditOfAFoldedText(t *testing.T) {
	out, err := edit([]byte("household:\n  time_zone: >\n    Europe/\n    Berlin\n  clock: 24h\n"), []change{{"household.time_zone", "Europe/Paris"}})
	require.NoError(t, err)
	assert.Equal(t, "household:\n  time_zone: Europe/Paris\n  clock: 24h\n", string(out))
}

func TestEditOfALittleFile(t *testing.T) {
	for _, old := range []string{"", "# nothing yet\n", "# nothing yet", "household:\n", "household:\n# none\n"} {
		out, err := edit([]byte(old), []change{{"household.language", "de"}, {"vessels[+]", yaml.MapSlice{{Key: "name", Value: "jar"}}}})
		require.NoError(t, err, old)
		v, err := decode(out)
		require.NoError(t, err)
		assert.Equal(t, yaml.MapSlice{{Key: "household", Value: yaml.MapSlice{{Key: "language", Value: "de"}}}, {Key: "vessels", Value: []any{yaml.MapSlice{{Key: "name", Value: "jar"}}}}}, v, old)
		if strings.HasPrefix(old, "#") {
			assert.Contains(t, string(out), "# nothing yet\n")
		}
	}
}

// What cannot be changed without harm is refused, and nothing is guessed.
func TestEditRefuses(t *testing.T) {
	for _, c := range []struct{ text, path string }{
		{"vessels:\n  - {name: cup, # mine\n     floor_mm: 3}\n", "vessels[0].floor_mm"},
		{"household: de\n", "household.language"},
		{"a: &x 1\nhousehold: {clock: *x}\n", "household.clock.more"},
		{"vessels:\n  - name: jar\n", "vessels[3].name"},
		{"\t- :", "household.clock"},
		{"", "a.b]["}, {"", ""}, {"", "A"},
	} {
		_, err := edit([]byte(c.text), []change{{c.path, "v"}})
		assert.Error(t, err, "%s in %q", c.path, c.text)
	}
}

func FuzzEdit(f *testing.F) {
	f.Add(kitchen, "household.clock", "12h")
	f.Add(kitchen, "vessels[1].profile", "x: y")
	f.Add("a:\n - b\n -\n   c: d\n", "a[1].c", "#")
	f.Add("a: \"x\n  y\" # c\nb: |\n  t\n", "b", "\u2028")
	f.Fuzz(func(t *testing.T, text, path, value string) {
		if len(text) > 2000 || len(path) > 60 || len(value) > 200 {
			return
		}
		out, err := edit([]byte(text), []change{{path, value}})
		if err != nil {
			return
		}
		again, err := edit(out, []change{{path, value}})
		if err == nil && !strings.Contains(path, "+") {
			assert.Equal(t, string(out), string(again), "the same change twice is one")
		}
	})
}
