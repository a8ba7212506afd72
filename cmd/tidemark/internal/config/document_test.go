package config

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const goodProfile = "[[0, 0], [50, 1.0], [100, 2.2], [150, 3.6]]"

// TestBounds: what no household writes is refused before the parser has it.
func TestBounds(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"brackets":       {"vessels: " + strings.Repeat("[", 60000), "t.yaml:1:42: lists and keys lie more than 32 deep here"},
		"a list 100,000": {"vessels: " + strings.Repeat("[", 100_000) + strings.Repeat("]", 100_000), "t.yaml: the file is larger than 64 KiB"},
		"braces":         {"vessels: " + strings.Repeat("{a: ", 15000), "t.yaml:1:138: lists and keys lie more than 32 deep here"},
	} {
		_, err := Parse("t.yaml", []byte(c.text), Sensors)
		require.ErrorContains(t, err, c.want, name)
	}
	_, err := Parse("t.yaml", []byte("vessels: ["+strings.Repeat("{},", 2000)+"{}]"), Sensors)
	require.Error(t, err)
	assert.Len(t, strings.Split(err.Error(), "\n"), maxProblems)
}

// TestPanicOfAParserIsAProblem: whatever panics, the file has a problem.
func TestPanicOfAParserIsAProblem(t *testing.T) {
	err := func() (err error) {
		c := &collector{name: "t.yaml"}
		defer c.guard(&err)
		panic("a nil pointer")
	}()
	require.EqualError(t, err, "t.yaml:1:1: the file cannot be understood (a nil pointer); take back what was changed in it last")
}

// shipped are the files of settings that come with the program.
func shipped(tb testing.TB) [][]byte {
	tb.Helper()
	var out [][]byte
	for _, name := range []string{"../../../../deploy/tidemark.yaml", "../../../../testdata/records/vessels.yaml"} {
		text, err := os.ReadFile(name)
		require.NoError(tb, err)
		out = append(out, text)
	}
	return out
}

// TestTheExampleWithoutItsMarks: what the shipped file shows of a vessel is accepted.
func TestTheExampleWithoutItsMarks(t *testing.T) {
	text := string(shipped(t)[0])
	i, j := strings.Index(text, "# vessels:\n"), strings.Index(text, "# For a bread")
	require.True(t, i > 0 && j > i)
	cfg, err := Parse("t.yaml", []byte(text[:i]+strings.ReplaceAll("\n"+text[i:j], "\n# ", "\n")), Sensors)
	require.NoError(t, err)
	require.Len(t, cfg.Vessels, 1)
}

// household is a large household: twenty vessels with all they may have.
func household() []byte {
	var b strings.Builder
	b.WriteString("household: {time_zone: Europe/Vienna, quiet_from: \"22:30\", quiet_until: \"06:30\", altitude_m: 450}\nchannels:\n")
	for i := range 5 {
		fmt.Fprintf(&b, "  - {name: phone%d, kind: topic, url: \"https://push.example.net\", topic: our-kitchen-%d}\n", i, i)
	}
	b.WriteString("vessels:\n")
	for i := range 20 {
		fmt.Fprintf(&b, "  - name: tub %d\n    holds: dough\n    floor_mm: 240\n    target_by_dough_c: [[18, 100], [21, 75], [24, 50], [27, 30]]\n    lead: 30m\n    lost_after: 5m\n    profile: [[0, 0]", i)
		for h := 1; h <= 30; h++ {
			fmt.Fprintf(&b, ", [%d, %.3f]", 5*h, 0.113*float64(h))
		}
		fmt.Fprintf(&b, "]\n    batch: {name: our loaf, flours: [{name: wheat, grams: 900}, {name: rye, grams: 100}], water_g: 640, levain: {grams: 200, hydration_percent: 100}, salt_g: 20, loaves: 2}\n"+
			"    height: {kind: mqtt, broker: \"mqtt://127.0.0.1:1883\", topic: tub%d/height, unit: mm}\n    dough: {kind: w1, id: 28-0000000000%02x}\n    air: {kind: w1, id: 28-0000000001%02x}\n", i, i, i)
	}
	return []byte(b.String())
}

// TestLargeHouseholdFits: the bounds leave room for twenty vessels.
func TestLargeHouseholdFits(t *testing.T) {
	text := household()
	cfg, err := Parse("t.yaml", text, Sensors)
	require.NoError(t, err)
	assert.Len(t, cfg.Vessels, 20)
	assert.Less(t, len(text), maxFileBytes*2/3)
}

// FuzzSettings feeds raw bytes to the loader as the start, check and a reload do,
// as the settings and as what was measured: no panic, each in bounded time, every
// refusal with words.
func FuzzSettings(f *testing.F) {
	for _, text := range shipped(f) {
		f.Add(text)
	}
	for _, text := range []string{
		good, "vessels: [{profile: {shape: bowl}}]", "a: &a [*a]", "", "---\n", "%YAML 1.2\n---\na: b\n", "\xff\xfe", "a: |\n  x\n", "? a\n: b\n",
		strings.Replace(good, goodProfile, "[[0, 0], [50, 1.0, 2.2]]", 1), "channels: [null]", "channels:\n  - \n", "web: {listen: \"127.0.0.1:99999\"}",
		strings.Repeat("[", 3000), strings.Repeat("- ", 3000), strings.Repeat("{a: ", 1000), strings.Repeat("!a ", 1000),
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		began := time.Now()
		for _, need := range []Need{Sensors, WithoutSensors} {
			if _, err := Parse("f.yaml", text, need); err != nil {
				assert.NotEmpty(t, err.Error())
			}
		}
		assert.Less(t, time.Since(began), 20*time.Second, "%d bytes", len(text))
	})
}
