package config

import (
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"tidemark/sensor"
)

// Value is what a person typed for a path. Empty takes the key out, and leaves a secret
// as it is.
type Value struct{ Path, Text string }

// Typed returns the text of the file with what was typed. Only what stands in the table
// of keys can be set, no channel that runs a program is touched, and sensors have to be
// among those offered or stand in the file already: from outside nobody names devices,
// brokers or files. The error is a Problems or a Problem.
func Typed(now Sheet, typed []Value, offered []string) ([]byte, error) {
	before, err := decode(now.Text)
	if err != nil {
		return nil, err
	}
	tree, _ := decode(now.Text) // it was read above
	c := changer{before: before, tree: tree, keys: keys(), values: now.Values(), offered: append(slices.Clone(offered), now.sensors()...), given: map[string]bool{}}
	for _, v := range typed {
		c.given[v.Path] = v.Text != ""
	}
	typed = slices.Clone(typed)
	slices.SortStableFunc(typed, func(a, b Value) int { return c.keys.find(a.Path) - c.keys.find(b.Path) })
	var wrong Problems
	for _, v := range typed {
		if err := c.take(v); err != nil {
			wrong = append(wrong, at(v.Path, err))
		}
	}
	if now.Config != nil {
		for i := range wrong {
			wrong[i].language = now.Config.Household.Language
		}
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	return rewrite(now.Text, c.tree)
}

// changer takes what was typed into the file, as maps and lists.
type changer struct {
	before, tree any // the file as it is, and as it is to be
	keys         table
	values       map[string]string // of the file as it is, as they would be typed
	offered      []string
	given        map[string]bool // paths for which something was typed

	shaped, gone string // the profile that is said anew, and what is taken out whole
}

// take takes one value. A profile is said anew, beginning with its shape, or not at all; a
// dough without flours, or a feeding without a starter, is taken out whole.
func (c *changer) take(v Value) error {
	steps, err := stepsOf(v.Path)
	switch {
	case err != nil:
		return err
	case steps[0].key == "channels" && len(steps) > 1 && (lookup(c.before, steps[0], steps[1], step{key: "kind"}) == "command" || strings.HasSuffix(v.Path, ".kind") && v.Text == "command"):
		return problem("command_by_hand")
	case wholeEntry.MatchString(v.Path) && v.Text == "":
		return c.set(steps, nil)
	}
	i := c.keys.find(v.Path)
	if i == len(c.keys) {
		return problem("by_hand", "key", v.Path)
	}
	value, err := c.keys[i].read(v.Text, c.offered)
	if err != nil {
		return err
	}
	whole, key := v.Path[:strings.LastIndex(v.Path, ".")], steps[len(steps)-1].key
	text, there := c.values[v.Path]
	switch {
	case strings.HasSuffix(whole, ".profile") && key == "shape" && value != nil:
		c.shaped, steps, value = whole, steps[:len(steps)-1], yaml.MapSlice{{Key: key, Value: value}}
	case strings.HasSuffix(whole, ".profile") && c.shaped != whole, strings.HasPrefix(v.Path, c.gone+"."):
		return nil
	case v.Text == text, !there && c.keys[i].usual == v.Text, c.keys[i].hidden() && value == nil:
		return nil // as it is
	case value == nil && (key == "flours" || key == "starter_g"):
		c.gone, steps = whole, steps[:len(steps)-1]
	}
	if err := c.sameReceiver(steps, whole); err != nil {
		return err
	}
	return c.set(steps, value)
}

// set sets a value; a new entry is added once.
func (c *changer) set(steps []step, value any) (err error) {
	if len(steps) > 1 && steps[1].index < 0 {
		list, _ := lookup(c.tree, steps[0]).([]any)
		old, _ := lookup(c.before, steps[0]).([]any)
		if len(list) > len(old) {
			steps[1].index = len(old)
		}
	}
	c.tree, err = with(c.tree, steps, value)
	return err
}

// sameReceiver refuses another address for a channel that keeps its secrets: they would
// go to whoever is there.
func (c *changer) sameReceiver(steps []step, entry string) error {
	if key := steps[len(steps)-1].key; steps[0].key != "channels" || key != "url" && key != "host" {
		return nil
	}
	for _, s := range []string{"token", "sign_key", "password"} {
		if lookup(c.before, steps[0], steps[1], step{key: s + "_file"}) != nil {
			return problem("secret_file", "key", s)
		}
		if path := entry + "." + s; lookup(c.before, steps[0], steps[1], step{key: s}) != nil && !c.given[path] {
			return at(path, problem("secret_again"))
		}
	}
	return nil
}

// Measured returns the text of the file with a vessel's measures: the distance to its
// empty floor in mm and, unless nil, its profile as [height mm, litres].
func Measured(now Sheet, vessel string, floorMM float64, profile [][2]float64) ([]byte, error) {
	if now.Config == nil {
		return nil, now.Err
	}
	i := slices.IndexFunc(now.Config.Vessels, func(v Vessel) bool { return v.Name == vessel })
	tree, err := decode(now.Text)
	if err != nil || i < 0 {
		return nil, problem("vessel_gone", "found", vessel)
	}
	place := []step{{key: "vessels"}, {index: i}, {key: "floor_mm"}}
	tree, err = with(tree, place, floorMM)
	if profile != nil && err == nil {
		var points []any
		for _, p := range profile {
			points = append(points, []any{p[0], p[1]})
		}
		place[2].key = "profile"
		tree, err = with(tree, place, points)
	}
	if err != nil {
		return nil, err
	}
	return rewrite(now.Text, tree)
}

// sensors lists the sensors that stand in the file, each in one line.
func (s Sheet) sensors() []string {
	var out []string
	if s.Config != nil {
		for _, v := range s.Config.Vessels {
			for _, x := range v.Sensors() {
				out = append(out, sensor.Flow(x.Config))
			}
		}
	}
	return out
}

// Values are the values of the file by path, as a person would type them. There is no
// secret among them, and no profile, which is said anew or not at all.
func (s Sheet) Values() map[string]string {
	out, all := map[string]string{}, keys()
	var add func(path string, v any)
	add = func(path string, v any) {
		keys, _ := v.(yaml.MapSlice)
		list, _ := v.([]any)
		if i := all.find(path); i < len(all) {
			if k := all[i]; v != nil && !k.hidden() && k.is != sensorType() && !strings.Contains(path, ".profile.") {
				out[path] = typedAs(v)
			}
			return
		}
		for _, item := range keys {
			add(strings.TrimPrefix(fmt.Sprintf("%s.%v", path, item.Key), "."), item.Value)
		}
		for i, one := range list {
			add(fmt.Sprintf("%s[%d]", path, i), one)
		}
	}
	tree, _ := decode(s.Text) // what cannot be read has no values
	add("", tree)
	if s.Config == nil {
		return out
	}
	for i, v := range s.Config.Vessels {
		for _, x := range v.Sensors() {
			out[fmt.Sprintf("vessels[%d].%s", i, x.Role)] = sensor.Flow(x.Config)
		}
	}
	return out
}
