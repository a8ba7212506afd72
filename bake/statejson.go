package bake

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"time"
	"unicode"
)

// MarshalJSON writes a State as every surface that hands it on does: fields under
// their names in small letters, rise_percent for RisePercent, or under their json tags.
// Sentences are key and values, for whoever has no catalogue. What is not known is null, times are RFC 3339 to the millisecond in the zone of At,
// and spans of time are seconds, as their names say. The definitions of the steps stay
// inside.
func (s State) MarshalJSON() ([]byte, error) {
	return json.Marshal(Form(s, s.At.Location(), nil))
}

// Form returns any value as MarshalJSON writes a State, with the times in a zone and the
// sentences as speak puts them; nil leaves them keys and values.
func Form(v any, zone *time.Location, speak func(Said) string) any {
	return stateForm{zone, speak}.value(reflect.ValueOf(v))
}

// stateForm turns values into what encoding/json writes.
type stateForm struct {
	zone  *time.Location
	speak func(Said) string
}

// fields adds the fields of a struct to out; those of an embedded one as its own.
func (f stateForm) fields(v reflect.Value, out map[string]any) map[string]any {
	for i := range v.NumField() {
		field := v.Type().Field(i)
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		switch {
		case options == "omitempty" && v.Field(i).IsZero():
		case !field.IsExported() || field.Type == reflect.TypeFor[Process]() || field.Type == reflect.TypeFor[*Process]():
		case field.Anonymous && name == "":
			f.fields(v.Field(i), out)
		default:
			if name == "" {
				name = snake(field.Name)
			}
			if field.Type == reflect.TypeFor[time.Duration]() {
				name += "_seconds"
			}
			out[name] = f.value(v.Field(i))
		}
	}
	return out
}

// value is one value.
func (f stateForm) value(v reflect.Value) any {
	switch x := v.Interface().(type) {
	case time.Time:
		if x.IsZero() {
			return nil
		}
		return x.Round(time.Millisecond).In(f.zone)
	case time.Duration:
		return x.Seconds()
	case Said:
		if f.speak != nil {
			return f.speak(x)
		}
	case Sentences:
		if f.speak != nil {
			var all []string
			for _, s := range x {
				all = append(all, f.speak(s))
			}
			return strings.Join(all, " ")
		}
	case []byte:
		if len(x) == 0 {
			return nil
		}
		return json.RawMessage(x) // a batch or feeding, which is JSON already
	}
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			return nil
		}
		return f.value(v.Elem())
	case reflect.Struct:
		return f.fields(v, map[string]any{})
	case reflect.Slice:
		list := make([]any, v.Len())
		for i := range list {
			list[i] = f.value(v.Index(i))
		}
		return list
	case reflect.Map:
		table := map[string]any{}
		for _, k := range v.MapKeys() {
			table[k.String()] = f.value(v.MapIndex(k))
		}
		return table
	}
	return v.Interface()
}

// snake writes a Go name in small letters with low lines between its words: LevelMM as
// level_mm, StepID as step_id, P10Percent as p10_percent.
func snake(name string) string {
	var b strings.Builder
	r := []rune(name)
	for i, c := range r {
		after := i > 0 && !unicode.IsUpper(r[i-1])
		before := i > 0 && i+1 < len(r) && unicode.IsUpper(r[i-1]) && unicode.IsLower(r[i+1])
		if unicode.IsUpper(c) && (after || before) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(c))
	}
	return b.String()
}
