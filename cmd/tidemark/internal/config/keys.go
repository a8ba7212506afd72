package config

import (
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"tidemark/alert"
	"tidemark/bake"
)

// key is a place in the file that may be set from outside it.
type key struct {
	path  string       // without the numbers of entries
	is    reflect.Type // of the field that it is read into, which says how it is typed
	usual string       // what holds without the key
}

// table is all that may be set, in the order in which the keys of a new entry are written.
type table []key

// sensorType is the type of a sensor's field.
func sensorType() reflect.Type { return reflect.TypeFor[ast.Node]() }

// keys returns the table: the fields that the loader reads whose tag set gives what holds
// without them, and all of a profile, a batch and a feeding. Never among them: what runs
// a program, names of files, the state directory and the address to listen at.
func keys() table {
	var out table
	within := map[string]any{"vessels.profile": shapeFile{}, "vessels.batch": bake.Batch{}, "vessels.feed": bake.Feed{}}
	var add func(path string, t reflect.Type, all bool)
	add = func(path string, t reflect.Type, all bool) {
		for i := range t.NumField() {
			f := t.Field(i)
			usual, marked := f.Tag.Lookup("set")
			at := path + "." + f.Tag.Get("yaml")
			switch whole := within[at]; {
			case !marked && !all, f.Tag.Get("yaml") == "-":
			case whole != nil:
				add(at, reflect.TypeOf(whole), true)
			case f.Type.Kind() == reflect.Struct:
				add(at, f.Type, true)
			default:
				out = append(out, key{at, f.Type, usual})
			}
		}
	}
	for _, part := range []struct {
		name string
		of   any
	}{{"household", Household{}}, {"web", Web{}}, {"channels", alert.ChannelSpec{}}, {"vessels", vesselFile{}}} {
		add(part.name, reflect.TypeOf(part.of), false)
	}
	return out
}

// find returns the place of a key in the table, by its path with or without the numbers
// of entries; its length when it is not there.
func (t table) find(path string) int {
	plain := entry.ReplaceAllString(path, "")
	if i := slices.IndexFunc(t, func(k key) bool { return k.path == plain }); i >= 0 {
		return i
	}
	return len(t)
}

// entry is the number of an entry of a list, or + for a new one.
var entry = regexp.MustCompile(`\[(\d+|\+)\]`)

// wholeEntry is the path of a whole entry, which can be taken out.
var wholeEntry = regexp.MustCompile(`^(channels|vessels)\[\d+\]$`)

// hidden reports whether the value of a key is never shown. An address may hold a secret.
func (k key) hidden() bool {
	return k.is == reflect.TypeFor[alert.Secret]() || k.path == "channels.url"
}

// read turns what was typed for a key into a value; nil when it is empty. offered are
// the sensors that may be chosen.
func (k key) read(typed string, offered []string) (any, error) {
	typed = strings.TrimSpace(typed)
	switch {
	case typed == "":
		return nil, nil
	case strings.ContainsFunc(typed, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return nil, problem("odd_signs")
	}
	is := k.is
	if is.Kind() == reflect.Pointer {
		is = is.Elem()
	}
	switch {
	case is == reflect.TypeFor[[]float64]():
		one, other, _ := strings.Cut(strings.ReplaceAll(strings.ToLower(typed), "×", "x"), "x")
		a, errA := number(one)
		b, errB := number(other)
		if errA != nil || errB != nil {
			return nil, problem("not_lengths", "found", typed)
		}
		return []any{a, b}, nil
	case is == reflect.TypeFor[[]string]():
		var list []any
		for one := range strings.SplitSeq(typed, ",") {
			list = append(list, strings.TrimSpace(one))
		}
		return list, nil
	case is == sensorType():
		var m yaml.MapSlice
		if !slices.Contains(offered, typed) || yaml.UnmarshalWithOptions([]byte(typed), &m, yaml.UseOrderedMap()) != nil {
			return nil, problem("sensor_gone")
		}
		return m, nil
	case is.Kind() == reflect.Slice:
		return ingredients(typed)
	case is.Kind() != reflect.String:
		return number(typed)
	}
	return typed, nil
}

// number reads a number, with a comma for the point too.
func number(text string) (float64, error) {
	n, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || n-n != 0 {
		return 0, problem("not_number", "found", text)
	}
	return n, nil
}

// ingredient is a name with its grams, whether it is whole grain, and the grams of water
// that it brings along.
var ingredient = regexp.MustCompile(`(?i)^(.*?\S) +(\d+(?:\.\d+)?)(?: *g)?( +(?:whole|vollkorn))?(?: +(?:water|wasser) +(\d+(?:\.\d+)?))?$`)

// ingredients reads what is mixed, such as "wheat 900, rye 100 whole".
func ingredients(typed string) ([]any, error) {
	var out []any
	for one := range strings.SplitSeq(typed, ",") {
		m := ingredient.FindStringSubmatch(strings.TrimSpace(one))
		if m == nil {
			return nil, problem("not_grams", "found", strings.TrimSpace(one))
		}
		grams, _ := number(m[2]) // the pattern lets nothing else through
		item := yaml.MapSlice{{Key: "name", Value: m[1]}, {Key: "grams", Value: grams}}
		if m[3] != "" {
			item = append(item, yaml.MapItem{Key: "whole", Value: true})
		}
		if m[4] != "" {
			water, _ := number(m[4])
			item = append(item, yaml.MapItem{Key: "water_g", Value: water})
		}
		out = append(out, item)
	}
	return out, nil
}

// typedAs writes a value of the file as a person would type it.
func typedAs(v any) string {
	switch v := v.(type) {
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case []any:
		var parts []string
		for _, one := range v {
			parts = append(parts, typedAs(one))
		}
		return strings.Join(parts, ", ")
	case yaml.MapSlice: // of a list: something that is mixed
		m := v.ToMap()
		out := fmt.Sprint(m["name"], " ", typedAs(m["grams"]))
		if m["whole"] == true {
			out += " whole"
		}
		if m["water_g"] != nil {
			out += " water " + typedAs(m["water_g"])
		}
		return out
	}
	return fmt.Sprint(v)
}
