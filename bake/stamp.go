package bake

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

// The texts of this package carry moments in the form of Stamp and temperatures in
// degrees Celsius, such as "250 °C" or "93 to 98 °C". Whoever shows a text lets Put
// write both as the household does.

// stampForm is RFC 3339 to the minute.
const stampForm = "2006-01-02T15:04Z07:00"

// Stamp writes a moment into a text that Put is to fill in.
func Stamp(t time.Time) string { return t.Format(stampForm) }

var (
	stamped = regexp.MustCompile(`\b\d{4}-\d\d-\d\dT\d\d:\d\d(?:Z|[+-]\d\d:\d\d)`)
	celsius = regexp.MustCompile(`(-?\d+(?:\.\d+)?)(?:( to | and | of )(-?\d+(?:\.\d+)?))?[ \x{a0}]°C`)
)

// Put returns a text with its moments and temperatures as a household writes them.
// degrees is handed a temperature in Celsius and how many decimals the text gave, and
// writes it without its unit.
func Put(text string, moment func(time.Time) string, degrees func(c float64, decimals int) string, unit string) string {
	if strings.Contains(text, "T") {
		text = stamped.ReplaceAllStringFunc(text, func(s string) string {
			t, err := time.Parse(stampForm, s)
			if err != nil {
				return s
			}
			return moment(t)
		})
	}
	if !strings.Contains(text, "°C") {
		return text
	}
	write := func(s string) string {
		c, _ := strconv.ParseFloat(s, 64) // the pattern lets nothing else through
		_, after, _ := strings.Cut(s, ".")
		return degrees(c, len(after))
	}
	return celsius.ReplaceAllStringFunc(text, func(s string) string {
		m := celsius.FindStringSubmatch(s)
		if m[2] == "" {
			return write(m[1]) + " " + unit
		}
		return write(m[1]) + m[2] + write(m[3]) + " " + unit
	})
}
