package texts

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Household is how the people in it like to be spoken to. The zero Household
// speaks English, Celsius and 24 h, in UTC.
type Household struct {
	Language   string // a file of the catalogue; empty means en
	Clock12    bool   // 6:05 pm instead of 18:05
	Fahrenheit bool
	Zone       *time.Location // nil means UTC
}

// Values are what goes into the placeholders of a sentence.
type Values map[string]string

// Speaker says sentences of one language to one household. It is safe for use
// by several goroutines.
type Speaker struct {
	house    Household
	own, def Catalogue
}

// New returns a Speaker. An unknown language is spoken in English; use Load to
// check a setting first.
func New(h Household) *Speaker {
	s := &Speaker{house: h}
	if s.house.Zone == nil {
		s.house.Zone = time.UTC
	}
	s.def, _ = Load(fallback) // cannot fail: it ships with the program, and a test loads it
	if own, err := Load(h.Language); err == nil {
		s.own = own
	} else {
		s.own = s.def
	}
	return s
}

// Has reports whether there is a sentence for the key.
func (s *Speaker) Has(key string) bool {
	return s.own[key] != "" || s.def[key] != ""
}

// Say returns the sentence of the key with the values put in.
func (s *Speaker) Say(key string, v Values) string {
	sentence := s.own[key]
	if sentence == "" {
		sentence = s.def[key]
	}
	if sentence == "" {
		return key
	}
	return placeholder.ReplaceAllStringFunc(sentence, func(p string) string {
		if value, ok := v[strings.Trim(p, "{}")]; ok {
			return value
		}
		return p
	})
}

// Instead returns the sentence of the key when text begins with the English one:
// what follows it is kept. Any other text stays as it is.
func (s *Speaker) Instead(key, text string) string {
	if rest, ok := strings.CutPrefix(text, s.def[key]); ok && s.def[key] != "" {
		return s.Say(key, nil) + rest
	}
	return text
}

// Clock says a time of day. When t is on another day than now, by the
// household's zone, the weekday is put before it.
func (s *Speaker) Clock(t, now time.Time) string {
	t, now = t.In(s.house.Zone), now.In(s.house.Zone)
	text := t.Format("15:04")
	if s.house.Clock12 {
		text = t.Format("3:04 pm")
	}
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return text
	}
	return s.Say("day."+strings.ToLower(t.Weekday().String()[:3]), nil) + " " + text
}

// Temp says a temperature given in Celsius, rounded to whole degrees, or to
// one decimal when fine is set.
func (s *Speaker) Temp(celsius float64, fine bool) string {
	unit := "°C"
	if s.house.Fahrenheit {
		celsius, unit = celsius*9/5+32, "°F"
	}
	digits := 0
	if fine {
		digits = 1
	}
	return s.number(celsius, digits) + "\u00a0" + unit
}

// Percent says a rise in whole percent.
func (s *Speaker) Percent(p float64) string {
	return s.number(p, 0) + "\u00a0%"
}

// Points says a difference of percent as a bare whole number.
func (s *Speaker) Points(p float64) string { return s.number(p, 0) }

// number formats x with the language's decimal mark; never "-0".
func (s *Speaker) number(x float64, digits int) string {
	if math.IsNaN(x) {
		return s.Say("unknown", nil)
	}
	text := strconv.FormatFloat(x, 'f', digits, 64)
	if zero := strconv.FormatFloat(0, 'f', digits, 64); text == "-"+zero {
		text = zero
	}
	return strings.Replace(text, ".", s.Say("decimal", nil), 1)
}

// Span says a duration in minutes, or in hours and minutes from 90 minutes on.
// Less than a minute counts as one.
func (s *Speaker) Span(d time.Duration) string {
	minutes := int(math.Round(d.Minutes()))
	if minutes < 1 {
		minutes = 1
	}
	if minutes < 90 {
		return s.Say("span.minutes", Values{"minutes": strconv.Itoa(minutes)})
	}
	return s.Say("span.hours", Values{
		"hours":   strconv.Itoa(minutes / 60),
		"minutes": fmt.Sprintf("%02d", minutes%60),
	})
}
