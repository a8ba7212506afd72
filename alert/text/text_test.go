package text

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// placeholders lists the placeholders of a sentence, sorted, each once.
func placeholders(sentence string) []string {
	seen := map[string]bool{}
	var names []string
	for _, p := range placeholder.FindAllString(sentence, -1) {
		if !seen[p] {
			seen[p] = true
			names = append(names, strings.Trim(p, "{}"))
		}
	}
	sort.Strings(names)
	return names
}

func TestLanguagesHaveTheSameKeysAndPlaceholders(t *testing.T) {
	languages := languages()
	require.GreaterOrEqual(t, len(languages), 2, "expected English and one more")
	en, err := Load("en")
	require.NoError(t, err)
	require.NotEmpty(t, en)
	for _, language := range languages {
		c, err := Load(language)
		require.NoError(t, err)
		for key, sentence := range en {
			assert.Equalf(t, placeholders(sentence), placeholders(c[key]), "%s.txt: %s", language, key)
		}
		for key := range c {
			assert.Containsf(t, en, key, "%s.txt has a key English has not", language)
		}
	}
}

func TestUnknownLanguageNamesTheKnownOnes(t *testing.T) {
	_, err := Load("xx")
	assert.EqualError(t, err, `language "xx" is not there; use one of de, en`)
}

// TestFilesAreWellFormed: each line is empty, a comment or an entry, no key is there
// twice, each brace belongs to a placeholder, and nothing is shouted.
func TestFilesAreWellFormed(t *testing.T) {
	entry := regexp.MustCompile(`^([a-z0-9_]+(?:\.[a-z0-9_-]+)*) = ([^ !][^!]*)$`)
	for _, language := range languages() {
		file, err := files.ReadFile(language + ".txt")
		require.NoError(t, err)
		seen := map[string]bool{}
		for i, line := range strings.Split(string(file), "\n") {
			if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
				continue
			}
			m := entry.FindStringSubmatch(line)
			require.NotNil(t, m, "%s.txt:%d: %q; write key = sentence", language, i+1, line)
			assert.False(t, seen[m[1]], "%s.txt:%d: %s is there twice", language, i+1, m[1])
			assert.NotContains(t, placeholder.ReplaceAllString(m[2], ""), "{", "%s.txt:%d", language, i+1)
			seen[m[1]] = true
		}
	}
}

func TestSayKeepsWhatItDoesNotKnow(t *testing.T) {
	s := New(Locale{Language: "xx"})
	assert.Equal(t, "no.such.key", s.Say("no.such.key", nil))
	assert.Equal(t, "This message is {span} late.", s.Say("late", nil))
	assert.Equal(t, "This message is rain late.", s.Say("late", Values{"span": "rain"}))
}

// fault is an error that is a sentence of the catalogue.
type fault struct{ error }

func (f fault) Sentence() (string, map[string]any) { return "fault.other", Values{"error": f.error} }

// An error that is a sentence is said, within others too, and another one stays as it is.
func TestErrorsAreSaid(t *testing.T) {
	l := New(Locale{Language: "de"})
	assert.Equal(t, "kaputt", l.Error(fmt.Errorf("reading: %w", fault{fault{errors.New("kaputt")}})))
	assert.Equal(t, "kaputt", l.Error(errors.New("kaputt")))
}

// What is not known reads as unknown, in each language, with no unit and no figure.
func TestUnknownIsNoFigure(t *testing.T) {
	for language, want := range map[string]string{"en": "unknown", "de": "unbekannt"} {
		l := New(Locale{Language: language, Fahrenheit: true})
		for name, value := range map[string]any{
			"c": math.NaN(), "fine_c": math.NaN(), "span_c": math.NaN(), "percent": math.NaN(), "g": math.NaN(),
			"l": math.NaN(), "n": math.NaN(), "tenth": math.Inf(1), "at": time.Time{},
		} {
			assert.Equal(t, want, l.Value(name, value), name)
		}
		assert.Equal(t, want, l.Date(time.Time{}))
	}
}

// Values are formatted by name, type and locale. Those in Fahrenheit follow from the
// definition of the scale: 0 C = 32 F, 100 C = 212 F.
func TestValuesByNameTypeAndLocale(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	at := time.Date(2026, 3, 7, 16, 5, 0, 0, time.UTC) // a Saturday
	us := New(Locale{Fahrenheit: true, Clock12: true}).At(at)
	de := New(Locale{Language: "de"}).At(at)
	there := New(Locale{Zone: berlin, Language: "de"})
	for _, c := range []struct {
		l     *Localizer
		name  string
		value any
		want  string
	}{
		{us, "oven_c", 250.0, "482_°F"}, {us, "c", 0.0, "32_°F"}, {us, "c", 100.0, "212_°F"}, {us, "fine_c", 24.4, "75.9_°F"}, {de, "oven_c", 250.0, "250_°C"},
		{de, "fine_c", 24.4, "24,4_°C"}, {de, "c", -0.2, "0_°C"}, {us, "warmer_span_c", 2.0, "3.6_°F"}, {de, "warmer_span_c", 2.0, "2,0_°C"},
		{us, "room_fine_c", 21.5, "70.7_°F"}, {de, "rise_percent", 84.6, "85_%"},
		{us, "starter_g", 20.4, "20_g"}, {de, "tub_l", 2.25, "2,2_l"}, {de, "ratio_tenth", 1.25, "1,2"},
		{us, "at", at, "4:05 pm"}, {de, "at", at, "16:05"}, {de, "at", at.Add(24 * time.Hour), "So 16:05"},
		{there.At(at), "at", at, "17:05"}, {there.At(at.Add(7 * time.Hour)), "at", at, "Sa 17:05"}, // past midnight in Berlin the day is named
		{us, "wait", 10 * time.Second, "1 min"}, {us, "wait", 40 * time.Minute, "40 min"}, {us, "wait", 89 * time.Minute, "89 min"},
		{us, "wait", 90 * time.Minute, "1 h 30 min"}, {us, "wait", 125 * time.Minute, "2 h 05 min"}, {us, "count", 3, "3"}, {us, "vessel", "tub", "tub"},
	} {
		assert.Equal(t, strings.ReplaceAll(c.want, "_", "\u00a0"), c.l.Value(c.name, c.value), c.name)
	}
	assert.Equal(t, "Sat 7 Mar 2026", us.Date(at))
	assert.Equal(t, "Sa, 7. März 2026", de.Date(at))
}
