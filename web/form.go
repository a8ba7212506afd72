package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"tidemark/alert/text"
	"tidemark/bake/planner"
)

// formTime is how a date field writes a moment.
const formTime = "2006-01-02T15:04"

// form reads fields one by one and keeps the first that is wrong in err.
type form struct {
	url.Values
	fahrenheit bool      // of fields that say no unit
	now        time.Time // in the household's zone
	err        error
}

// formOf is a form of the household.
func (s *Server) formOf(v url.Values) *form {
	return &form{Values: v, fahrenheit: s.words.Locale().Fahrenheit, now: s.opt.Now().In(s.zone())}
}

// posted reads the form of a request. The field tap of a button holds kind, step and
// answer.
func (s *Server) posted(r *http.Request) (*form, error) {
	if err := r.ParseForm(); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return nil, err
		}
		return nil, refuse("form", nil)
	}
	for i, part := range strings.SplitN(r.PostForm.Get("tap"), "|", 3) {
		if r.PostForm.Has("tap") {
			r.PostForm.Set([]string{"kind", "step", "answer"}[i], part)
		}
	}
	return s.formOf(r.PostForm), nil
}

// fail keeps that a field is wrong.
func (f *form) fail(key, found string) {
	if f.err == nil {
		f.err = refuse(key, text.Values{"found": found})
	}
}

func (f *form) text(name string) string { return strings.TrimSpace(f.Get(name)) }

// whole reads a whole number; 0 for an empty field.
func (f *form) whole(name string) int64 {
	n, err := strconv.ParseInt(f.text(name), 10, 64)
	if err != nil && f.text(name) != "" {
		f.fail("number", f.text(name))
	}
	return n
}

// between reads a whole number within bounds.
func (f *form) between(name string, otherwise, low, high int) int {
	if f.text(name) == "" {
		return otherwise
	}
	n := int(f.whole(name))
	if n < low || n > high {
		f.fail("number", f.text(name))
	}
	return n
}

// day reads a day of the household or a moment; the zero time for an empty field. A day gets
// days added.
func (f *form) day(name string, days int) time.Time {
	typed := f.text(name)
	if t, err := time.ParseInLocation("2006-01-02", typed, f.now.Location()); err == nil {
		return t.AddDate(0, 0, days)
	}
	t, err := time.Parse(time.RFC3339, typed)
	if err != nil && typed != "" {
		f.fail("day", typed)
	}
	return t
}

// number reads a number with a point or a comma; 0 for an empty field.
func (f *form) number(name string) float64 {
	if f.text(name) == "" {
		return 0
	}
	return f.must(name)
}

// must reads a number that cannot be left out.
func (f *form) must(name string) float64 {
	x, err := decimal(f.text(name))
	if err != nil && f.err == nil {
		f.err = err
	}
	return x
}

// count reads a number from 0 to 1000; 0 for an empty field.
func (f *form) count(name string) float64 {
	x := f.number(name)
	if !(x >= 0 && x <= 1000) {
		f.fail("number", f.text(name))
	}
	return x
}

// or fills in a field that was left out.
func (f *form) or(name, otherwise string) {
	if f.text(name) == "" {
		f.Set(name, otherwise)
	}
}

// celsius reads a temperature: in Celsius where the field is the API's, else in the
// household's unit.
func (f *form) celsius(name string) float64 {
	if f.text(name+"_c") != "" {
		return f.must(name + "_c")
	}
	c := f.must(name)
	if f.fahrenheit {
		c = (c - 32) * 5 / 9
	}
	return c
}

// instant reads a moment as a date field or RFC 3339 writes it; the zero time for an empty
// field.
func (f *form) instant(name string) time.Time {
	typed := f.text(name)
	t, err := time.ParseInLocation(formTime, typed, f.now.Location())
	if err != nil {
		t, err = time.Parse(time.RFC3339, typed)
	}
	if err != nil && typed != "" {
		f.fail("time", typed)
	}
	return t
}

// moment reads a moment as a date field writes it, or in words. The form has it as a date
// field shows it afterwards.
func (f *form) moment(name string, now time.Time) time.Time {
	typed := f.text(name)
	if typed == "" {
		return time.Time{}
	}
	t, err := time.ParseInLocation(formTime, typed, now.Location())
	if err != nil {
		t, err = planner.ParseWhen(typed, now)
	}
	if err != nil {
		f.fail("time", typed)
		return t
	}
	f.Set(name, t.In(now.Location()).Format(formTime))
	return t
}

// decimal reads a number with a point or a comma.
func decimal(typed string) (float64, error) {
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(typed), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, refuse("number", text.Values{"found": typed})
	}
	return x, nil
}

// degrees writes a temperature for a form, in the household's unit.
func (s *Server) degrees(c float64) string {
	x := math.Round(2*c) / 2
	if s.words.Locale().Fahrenheit {
		x = math.Round(c*9/5 + 32)
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// degreeSign is the sign of the household's scale.
func (s *Server) degreeSign() string {
	if s.words.Locale().Fahrenheit {
		return "°F"
	}
	return "°C"
}

// fieldsOfJSON are the fields of a form by their names in the API's JSON.
func fieldsOfJSON() map[string]string {
	return map[string]string{"kind": "kind", "rise_id": "rise", "at": "at", "first_at": "first_at", "batch": "batch", "target_percent": "target",
		"seen_percent": "seen", "dough_c": "dough_c", "alarm_id": "alarm", "snooze_seconds": "seconds", "step_id": "step", "answer": "answer", "undo_id": "undo",
		"event_id": "undo", "note": "note", "starter_g": "starter_g", "flour_g": "flour_g", "water_g": "water_g", "away.from": "away_from",
		"away.until": "away_until", "plan.asked": "asked", "plan.ready": "ready", "plan.air_c": "air_c", "plan.warm_c": "warm_c",
		"plan.no_fridge": "no_fridge", "plan.ripe_until": "ripe_until", "plan.away_from": "away_from", "plan.away_until": "away_until",
		"plan.milk_in_the_warm": "milk_in_the_warm", "plan.way": "way"}
}

// flatten puts a JSON object into the fields of a form.
func flatten(body map[string]any, prefix string, into url.Values) error {
	for name, v := range body {
		if inner, ok := v.(map[string]any); ok {
			if err := flatten(inner, prefix+name+".", into); err != nil {
				return err
			}
			continue
		}
		field := fieldsOfJSON()[prefix+name]
		if field == "" {
			return fmt.Errorf("unknown field %q", prefix+name)
		}
		if v != nil {
			into.Set(field, fmt.Sprint(v))
		}
	}
	return nil
}
