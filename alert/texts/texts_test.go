package texts

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestLanguagesHaveTheSameKeysAndPlaceholders(t *testing.T) {
	languages := Languages()
	require.GreaterOrEqual(t, len(languages), 2, "expected English and one more")
	en, err := Load("en")
	require.NoError(t, err)
	require.NotEmpty(t, en)
	for _, language := range languages {
		c, err := Load(language)
		require.NoError(t, err)
		for key, sentence := range en {
			assert.Equalf(t, Placeholders(sentence), Placeholders(c[key]), "%s.txt: %s", language, key)
		}
		for key := range c {
			assert.Containsf(t, en, key, "%s.txt has a key English has not", language)
		}
	}
}

func TestNoExclamationMarks(t *testing.T) {
	for _, language := range Languages() {
		c, err := Load(language)
		require.NoError(t, err)
		for key, sentence := range c {
			assert.NotContainsf(t, sentence, "!", "%s.txt: %s", language, key)
		}
	}
}

func TestUnknownLanguageNamesTheKnownOnes(t *testing.T) {
	_, err := Load("xx")
	assert.EqualError(t, err, `language "xx" is not there; use one of de, en`)
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"# fine\nnothing here", `line 2: "nothing here" is no entry; write key = sentence`},
		{"Key = a", `line 1: "Key" is no key; use small letters, digits, dots and underscores`},
		{"a.b = ", `line 1: key "a.b" has no sentence`},
		{"a = {B}", `line 1: key "a" has a brace outside a placeholder; write {name}`},
		{"a = x\na = y", `line 2: key "a" is given twice; remove one`},
	} {
		_, err := Parse(strings.NewReader(c.in))
		assert.EqualError(t, err, c.want)
	}
}

func FuzzParse(f *testing.F) {
	f.Add("a.b = see {at}\n# comment\n\nc = d")
	f.Add("a = {")
	f.Fuzz(func(t *testing.T, in string) {
		c, err := Parse(strings.NewReader(in))
		if err != nil {
			return
		}
		for key, sentence := range c {
			again, err := Parse(strings.NewReader(key + " = " + sentence))
			require.NoError(t, err)
			require.Equal(t, sentence, again[key])
		}
	})
}

func TestClockByHousehold(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	at := time.Date(2026, 11, 7, 17, 5, 0, 0, time.UTC) // a Saturday
	plain := New(Household{Zone: berlin})
	assert.Equal(t, "18:05", plain.Clock(at, at))
	assert.Equal(t, "Sat 18:05", plain.Clock(at, at.Add(6*time.Hour)), "past midnight in Berlin the day is named")
	assert.Equal(t, "6:05 pm", New(Household{Zone: berlin, Clock12: true}).Clock(at, at))
	assert.Equal(t, "Sa 18:05", New(Household{Zone: berlin, Language: "de"}).Clock(at, at.Add(6*time.Hour)))
}

// The Fahrenheit values follow from the definition of the scale:
// 0 C = 32 F, 100 C = 212 F.
func TestTemperatureByHousehold(t *testing.T) {
	f := New(Household{Fahrenheit: true})
	assert.Equal(t, "32\u00a0°F", f.Temp(0, false))
	assert.Equal(t, "212\u00a0°F", f.Temp(100, false))
	assert.Equal(t, "75.9\u00a0°F", f.Temp(24.4, true))
	assert.Equal(t, "24,4\u00a0°C", New(Household{Language: "de"}).Temp(24.4, true))
	assert.Equal(t, "0\u00a0°C", New(Household{}).Temp(-0.2, false))
}

func TestSpan(t *testing.T) {
	s := New(Household{})
	assert.Equal(t, "1 min", s.Span(10*time.Second))
	assert.Equal(t, "40 min", s.Span(40*time.Minute))
	assert.Equal(t, "89 min", s.Span(89*time.Minute))
	assert.Equal(t, "1 h 30 min", s.Span(90*time.Minute))
	assert.Equal(t, "2 h 05 min", s.Span(125*time.Minute))
}

func TestSayKeepsWhatItDoesNotKnow(t *testing.T) {
	s := New(Household{Language: "xx"})
	assert.Equal(t, "no.such.key", s.Say("no.such.key", nil))
	assert.Equal(t, "Also: {text}", s.Say("also", nil))
	assert.Equal(t, "Also: rain", s.Say("also", Values{"text": "rain"}))
}
