package text

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"tidemark/bake"
)

// Locale is how a household reads. The zero Locale is English, Celsius and 24 h, in
// UTC.
type Locale struct {
	Language   string // a file of the catalogue; empty means en
	Clock12    bool   // 6:05 pm instead of 18:05
	Fahrenheit bool
	Zone       *time.Location // nil means UTC
}

// Values are what goes into the placeholders of a sentence, by name; see
// Localizer.Value for what may be in it.
type Values = map[string]any

// Localizer says sentences of one language to one household. It is safe for use by
// several goroutines.
type Localizer struct {
	locale    Locale
	sentences map[string]string // by key
	now       time.Time         // zero: days are never named
}

// New returns a Localizer. An unknown language is spoken in English; use Load to
// check a setting first.
func New(locale Locale) *Localizer {
	l := &Localizer{locale: locale}
	if l.locale.Zone == nil {
		l.locale.Zone = time.UTC
	}
	l.sentences, _ = Load(fallback) // cannot fail: it ships with the program, and a test loads it
	if own, err := Load(locale.Language); err == nil {
		maps.Copy(l.sentences, own)
	}
	return l
}

// At returns the Localizer for sentences said at a moment: times of another day get
// its name.
func (l *Localizer) At(now time.Time) *Localizer {
	at := *l
	at.now = now
	return &at
}

// Locale returns how the household reads.
func (l *Localizer) Locale() Locale { return l.locale }

// Has reports whether there is a sentence for the key.
func (l *Localizer) Has(key string) bool { return l.sentences[key] != "" }

// Say returns the sentence of the key with the values put in.
func (l *Localizer) Say(key string, v Values) string {
	sentence := l.sentences[key]
	if sentence == "" {
		return key
	}
	if l.locale.Fahrenheit {
		sentence = l.inScale(sentence)
	}
	if !strings.Contains(sentence, "{") {
		return sentence
	}
	return placeholder.ReplaceAllStringFunc(sentence, func(p string) string {
		name := strings.Trim(p, "{}")
		if value, ok := v[name]; ok {
			return l.Value(name, value)
		}
		return p
	})
}

// Tell says sentences of package bake one after the other; nothing for none.
func (l *Localizer) Tell(list ...bake.Said) string {
	var out []string
	for _, s := range list {
		if s.Key != "" {
			out = append(out, l.Say(s.Key, s.Values))
		}
	}
	return strings.Join(out, " ")
}

// SayN is Say for a count: key.one for 1 and key.many for any other, with {n}.
func (l *Localizer) SayN(key string, n int, v Values) string {
	all := Values{"n": n}
	for name, value := range v {
		all[name] = value
	}
	if n == 1 {
		return l.Say(key+".one", all)
	}
	return l.Say(key+".many", all)
}

// Value formats one value for a placeholder of this name. By type: a string stays as
// it is, a time is a time of day, a duration is a span, an int is a number, sentences of
// package bake and errors are said. A float
// is formatted by what its name ends in, alone or after an underscore:
//
//	c        temperature, whole degrees      fine_c   with one decimal
//	span_c   a difference of temperatures
//	percent  with its sign                   points   a difference of percent, bare
//	g        grams                           l        litres, one decimal
//	tenth    a number with one decimal       else     a whole number
func (l *Localizer) Value(name string, value any) string {
	switch v := value.(type) {
	case string:
		return v
	case time.Time:
		return l.Clock(v)
	case time.Duration:
		return l.Span(v)
	case int:
		return strconv.Itoa(v)
	case float64:
		return l.float(name, v)
	case error:
		return l.Error(v)
	case interface {
		Sentence() (key string, values map[string]any)
	}:
		return l.Say(v.Sentence())
	case bake.Said:
		return l.Tell(v)
	case bake.Sentences:
		return l.Tell(v...)
	case []bake.Said:
		var all []string
		for _, s := range v {
			all = append(all, l.Tell(s))
		}
		return strings.Join(all, ", ")
	}
	return fmt.Sprint(value)
}

// Error says why something failed: an error that is a sentence of the catalogue, such as
// a sensor's, by that, and another one as it is; nothing for none.
func (l *Localizer) Error(err error) string {
	if err == nil {
		return ""
	}
	var said interface {
		Sentence() (key string, values map[string]any)
	}
	if !errors.As(err, &said) {
		return err.Error()
	}
	return l.Say(said.Sentence())
}

// degreesSaid finds temperatures that stand in a sentence as they are, with a range.
var degreesSaid = regexp.MustCompile(`(?:(\d+)( \pL+ ))?(\d+)[ \x{a0}]°C`)

// inScale writes the degrees of a sentence on the household's scale.
func (l *Localizer) inScale(sentence string) string {
	return degreesSaid.ReplaceAllStringFunc(sentence, func(found string) string {
		m := degreesSaid.FindStringSubmatch(found)
		number := func(text string) float64 {
			c, _ := strconv.ParseFloat(text, 64) // only digits are found
			return c
		}
		if m[1] == "" {
			return l.Temp(number(m[3]))
		}
		return l.Number(number(m[1])*9/5+32, 0) + m[2] + l.Temp(number(m[3]))
	})
}

// float formats a number by the end of its name.
func (l *Localizer) float(name string, x float64) string {
	ends := func(unit string) bool { return name == unit || strings.HasSuffix(name, "_"+unit) }
	switch {
	case ends("fine_c"):
		return l.TempFine(x)
	case ends("span_c"):
		return l.tempSpan(x)
	case ends("c"):
		return l.Temp(x)
	case ends("percent"):
		return l.Percent(x)
	case ends("g"):
		return l.unit(x, 0, "g")
	case ends("l"):
		return l.unit(x, 1, "l")
	case ends("tenth"):
		return l.Number(x, 1)
	}
	return l.Number(x, 0)
}

// Clock says a time of day. When t is on another day than the moment of the
// Localizer, by the household's zone, the weekday is put before it.
func (l *Localizer) Clock(t time.Time) string {
	if t.IsZero() {
		return l.Say("unknown", nil)
	}
	t = t.In(l.locale.Zone)
	clock := t.Format("15:04")
	if l.locale.Clock12 {
		clock = t.Format("3:04 pm")
	}
	if now := l.now.In(l.locale.Zone); l.now.IsZero() || t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return clock
	}
	return l.Weekday(t) + " " + clock
}

// Moment says a time as seen from the moment of the Localizer: as Clock does within six
// days, with its date beyond.
func (l *Localizer) Moment(t time.Time) string {
	if d := t.Sub(l.now).Abs(); l.now.IsZero() || d > 6*24*time.Hour {
		return l.Date(t) + " " + l.At(time.Time{}).Clock(t)
	}
	return l.Clock(t)
}

// Weekday says the short name of a day.
func (l *Localizer) Weekday(t time.Time) string {
	return l.Say("day."+strings.ToLower(t.In(l.locale.Zone).Weekday().String()[:3]), nil)
}

// Date says a day with its month and year.
func (l *Localizer) Date(t time.Time) string {
	if t.IsZero() {
		return l.Say("unknown", nil)
	}
	t = t.In(l.locale.Zone)
	month := l.Say("month."+strings.ToLower(t.Month().String()[:3]), nil)
	return l.Say("date", Values{"weekday": l.Weekday(t), "day": t.Day(), "month": month, "year": strconv.Itoa(t.Year())})
}

// Temp says a temperature given in Celsius in whole degrees.
func (l *Localizer) Temp(celsius float64) string { return l.degrees(celsius, 32, 0) }

// TempFine says a temperature given in Celsius with one decimal.
func (l *Localizer) TempFine(celsius float64) string { return l.degrees(celsius, 32, 1) }

// tempSpan says a difference of temperatures given in Celsius, with one decimal.
func (l *Localizer) tempSpan(celsius float64) string { return l.degrees(celsius, 0, 1) }

// degrees says degrees on the locale's scale; zeroF is what 0 °C is there in °F.
func (l *Localizer) degrees(celsius, zeroF float64, digits int) string {
	if l.locale.Fahrenheit {
		return l.unit(celsius*9/5+zeroF, digits, "°F")
	}
	return l.unit(celsius, digits, "°C")
}

// Percent says whole percent.
func (l *Localizer) Percent(p float64) string { return l.unit(p, 0, "%") }

// unit says a number with its unit; what is not known has none.
func (l *Localizer) unit(x float64, digits int, unit string) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return l.Say("unknown", nil)
	}
	return l.Number(x, digits) + "\u00a0" + unit
}

// Number says a number with the language's decimal mark; never "-0".
func (l *Localizer) Number(x float64, digits int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return l.Say("unknown", nil)
	}
	text := strconv.FormatFloat(x, 'f', digits, 64)
	if zero := strconv.FormatFloat(0, 'f', digits, 64); text == "-"+zero {
		text = zero
	}
	return strings.Replace(text, ".", l.Say("decimal", nil), 1)
}

// Span says a duration in minutes, or in hours and minutes from 90 minutes on.
// Less than a minute counts as one.
func (l *Localizer) Span(d time.Duration) string {
	minutes := max(1, int(math.Round(d.Minutes())))
	if minutes < 90 {
		return l.Say("span.minutes", Values{"minutes": minutes})
	}
	return l.Say("span.hours", Values{"hours": minutes / 60, "minutes": fmt.Sprintf("%02d", minutes%60)})
}
