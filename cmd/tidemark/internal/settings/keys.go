package settings

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
)

// form is how the value of a key is typed.
type form int

const (
	text    form = iota
	secret       // a text that is never shown again: left empty it stays
	decimal      // 240 or 85.5
	lengths      // 200 x 140
	names        // with commas between
	mixed        // what is mixed: wheat 900, rye 100 whole, soaker 80 water 40
	source       // a sensor in one line
)

// key is a place in the file that may be set from outside it.
type key struct {
	path  string // without the numbers of entries
	form  form
	usual string // what holds without the key
}

// keys is the table of what may be set from outside the file, in the order in which
// the keys of a new entry are written. Never in it: what runs a program, names of
// files, the state directory and the address to listen at.
func keys() []key {
	return []key{
		{"household.time_zone", text, ""}, {"household.clock", text, "24h"}, {"household.temperature", text, "celsius"},
		{"household.language", text, "en"}, {"household.altitude_m", decimal, ""}, {"household.quiet_from", text, ""}, {"household.quiet_until", text, ""},
		{"web.base_url", text, ""},
		{"channels.name", text, ""}, {"channels.kind", text, ""}, {"channels.url", secret, ""}, {"channels.token", secret, ""}, {"channels.topic", secret, ""},
		{"channels.sign_key", secret, ""}, {"channels.user", text, ""}, {"channels.password", secret, ""}, {"channels.host", text, ""}, {"channels.port", decimal, ""},
		{"channels.tls", text, ""}, {"channels.from", text, ""}, {"channels.to", names, ""}, {"channels.base_topic", text, ""},
		{"channels.discovery_prefix", text, ""}, {"channels.discovery_form", text, ""}, {"channels.from_level", decimal, ""},
		{"vessels.name", text, ""}, {"vessels.holds", text, ""}, {"vessels.proof_of", text, ""}, {"vessels.sample_of", text, ""}, {"vessels.floor_mm", decimal, ""},
		{"vessels.profile.shape", text, ""}, {"vessels.profile.diameter_mm", decimal, ""}, {"vessels.profile.bottom_diameter_mm", decimal, ""},
		{"vessels.profile.top_diameter_mm", decimal, ""}, {"vessels.profile.bottom_mm", lengths, ""}, {"vessels.profile.top_mm", lengths, ""},
		{"vessels.profile.rim_diameter_mm", decimal, ""}, {"vessels.profile.height_mm", decimal, ""}, {"vessels.profile.depth_mm", decimal, ""},
		{"vessels.height", source, ""}, {"vessels.dough", source, ""}, {"vessels.air", source, ""}, {"vessels.humidity", source, ""}, {"vessels.loaf", source, ""},
		{"vessels.target_percent", decimal, ""}, {"vessels.lead", text, ""}, {"vessels.lost_after", text, ""},
		{"vessels.batch.name", text, ""}, {"vessels.batch.flours", mixed, ""}, {"vessels.batch.water_g", decimal, ""}, {"vessels.batch.levain.grams", decimal, ""},
		{"vessels.batch.levain.hydration_percent", decimal, ""}, {"vessels.batch.salt_g", decimal, ""}, {"vessels.batch.inclusions", mixed, ""},
		{"vessels.batch.loaves", decimal, ""}, {"vessels.batch.bake_in", text, ""}, {"vessels.batch.at_once", decimal, ""},
		{"vessels.feed.starter_g", decimal, ""}, {"vessels.feed.flour_g", decimal, ""}, {"vessels.feed.water_g", decimal, ""},
	}
}

// find returns the place of a key in the table, by its path with or without the numbers
// of entries; -1 when it is not there.
func find(path string) int {
	plain := entry.ReplaceAllString(path, "")
	return slices.IndexFunc(keys(), func(k key) bool { return k.path == plain })
}

// entry is the number of an entry of a list, or + for a new one.
var entry = regexp.MustCompile(`\[(\d+|\+)\]`)

// wholeEntry is the path of a whole entry, which can be taken out.
var wholeEntry = regexp.MustCompile(`^(channels|vessels)\[\d+\]$`)

// read turns what was typed for a key into a value; nil when it is empty. offered are
// the sensors that may be chosen.
func (k key) read(typed string, offered []string) (any, error) {
	typed = strings.TrimSpace(typed)
	switch {
	case typed == "":
		return nil, nil
	case strings.ContainsFunc(typed, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return nil, errors.New("there are signs in it that cannot be typed; type it anew")
	}
	switch k.form {
	case lengths:
		one, other, _ := strings.Cut(strings.ReplaceAll(strings.ToLower(typed), "×", "x"), "x")
		a, errA := number(one)
		b, errB := number(other)
		if errors.Join(errA, errB) != nil {
			return nil, fmt.Errorf("%q are not two lengths; write them like 200 x 140", typed)
		}
		return []float64{a, b}, nil
	case decimal:
		return number(typed)
	case names:
		var list []string
		for one := range strings.SplitSeq(typed, ",") {
			list = append(list, strings.TrimSpace(one))
		}
		return list, nil
	case mixed:
		return ingredients(typed)
	case source:
		var m yaml.MapSlice
		if !slices.Contains(offered, typed) || yaml.UnmarshalWithOptions([]byte(typed), &m, yaml.UseOrderedMap()) != nil {
			return nil, errors.New("this sensor is not found now; look at its wires, then choose it again")
		}
		return m, nil
	}
	return typed, nil
}

// number reads a number, with a comma for the point too.
func number(text string) (float64, error) {
	n, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || n-n != 0 {
		return 0, fmt.Errorf("%q is not a number; write it like 240 or 85.5", text)
	}
	return n, nil
}

// ingredient is a name with its grams, whether it is whole grain, and the grams of water
// that it brings along.
var ingredient = regexp.MustCompile(`(?i)^(.*?\S) +(\d+(?:\.\d+)?)(?: *g)?( +(?:whole|vollkorn))?(?: +(?:water|wasser) +(\d+(?:\.\d+)?))?$`)

// ingredients reads what is mixed, such as "wheat 900, rye 100 whole".
func ingredients(typed string) ([]yaml.MapSlice, error) {
	var out []yaml.MapSlice
	for one := range strings.SplitSeq(typed, ",") {
		m := ingredient.FindStringSubmatch(strings.TrimSpace(one))
		if m == nil {
			return nil, fmt.Errorf("%q is no name with its grams; write it like wheat 900, rye 100 whole", strings.TrimSpace(one))
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
