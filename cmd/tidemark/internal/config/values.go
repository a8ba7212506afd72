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
	all, err := decode(now.Text)
	if err != nil {
		return nil, err
	}
	typed = slices.Clone(typed)
	slices.SortStableFunc(typed, func(a, b Value) int { return find(a.Path) - find(b.Path) })
	c := changer{now: all, values: now.Values(), offered: append(slices.Clone(offered), now.sensors()...)}
	for _, v := range typed {
		if err := c.take(v); err != nil {
			c.wrong = append(c.wrong, at(v.Path, err))
		}
	}
	c.sameReceiver(typed)
	if len(c.wrong) > 0 {
		for i := range c.wrong {
			c.wrong[i].language = now.language()
		}
		return nil, c.wrong
	}
	return edit(now.Text, c.changes())
}

// changer turns what was typed into changes.
type changer struct {
	now     any               // the file as it is
	values  map[string]string // the same as it would be typed
	offered []string
	wrong   Problems
	made    []change
}

// take adds one value to the changes.
func (c *changer) take(v Value) error {
	steps, err := stepsOf(v.Path)
	if err != nil {
		return err
	}
	if steps[0].key == "channels" && len(steps) > 1 {
		if lookup(c.now, []step{steps[0], steps[1], {key: "kind"}}) == "command" || strings.HasSuffix(v.Path, ".kind") && v.Text == "command" {
			return problem("command_by_hand")
		}
	}
	if wholeEntry.MatchString(v.Path) && v.Text == "" {
		c.made = append(c.made, change{v.Path, nil})
		return nil
	}
	i := find(v.Path)
	if i < 0 {
		return problem("by_hand", "key", v.Path)
	}
	k := keys()[i]
	value, err := k.read(v.Text, c.offered)
	if err != nil {
		return err
	}
	head, rest := split(v.Path)
	if rest != nil { // a part of something that is changed whole
		c.within(head, rest, value)
		return nil
	}
	text, there := c.values[v.Path]
	if v.Text == text || !there && k.usual == v.Text || k.hidden() && value == nil {
		return nil // as it is
	}
	c.made = append(c.made, change{v.Path, value})
	return nil
}

// split parts a path into what is changed whole and the keys within; a profile and a new
// entry are changed whole.
func split(path string) (head string, rest []string) {
	if i := strings.Index(path, "[+]."); i >= 0 {
		return path[:i+3], strings.Split(path[i+4:], ".")
	}
	if i := strings.Index(path, ".profile."); i >= 0 {
		return path[:i+8], []string{path[i+9:]}
	}
	return path, nil
}

// within sets a key within what is changed whole.
func (c *changer) within(head string, keys []string, value any) {
	i := slices.IndexFunc(c.made, func(m change) bool { return m.Path == head })
	if i < 0 {
		i, c.made = len(c.made), append(c.made, change{head, yaml.MapSlice{}})
	}
	if value != nil {
		c.made[i].Value = put(c.made[i].Value.(yaml.MapSlice), keys, value)
	}
}

// put sets a key within, in the order in which keys come.
func put(m yaml.MapSlice, keys []string, value any) yaml.MapSlice {
	for i, item := range m {
		if item.Key == keys[0] && len(keys) > 1 {
			m[i].Value = put(item.Value.(yaml.MapSlice), keys[1:], value)
			return m
		}
	}
	if len(keys) > 1 {
		value = put(nil, keys[1:], value)
	}
	return append(m, yaml.MapItem{Key: keys[0], Value: value})
}

// changes are the changes in the order in which they are made. A profile without a shape
// was not chosen and stays; a dough without flours, or a feeding without a starter, is
// taken out whole.
func (c *changer) changes() []change {
	out := slices.DeleteFunc(c.made, func(m change) bool {
		p, is := m.Value.(yaml.MapSlice)
		return is && strings.HasSuffix(m.Path, ".profile") && lookup(p, []step{{key: "shape"}}) == nil
	})
	for _, head := range []string{".batch.flours", ".feed.starter_g"} {
		for _, m := range slices.Clone(out) {
			if whole, is := strings.CutSuffix(m.Path, head); is && m.Value == nil {
				part, _, _ := strings.Cut(head[1:], ".")
				whole += "." + part
				out = slices.DeleteFunc(out, func(x change) bool { return strings.HasPrefix(x.Path, whole+".") })
				out = append(out, change{whole, nil})
			}
		}
	}
	return out
}

// sameReceiver refuses another address for a channel that keeps its secrets: they would
// go to whoever is there.
func (c *changer) sameReceiver(typed []Value) {
	given := map[string]bool{}
	for _, v := range typed {
		given[v.Path] = v.Text != ""
	}
	for _, m := range c.made {
		entry, key, _ := strings.Cut(m.Path, "].")
		if !strings.HasPrefix(m.Path, "channels[") || strings.Contains(entry, "+") || key != "url" && key != "host" {
			continue
		}
		steps, _ := stepsOf(entry + "]") // it was taken apart before
		for _, s := range []string{"token", "sign_key", "password"} {
			if lookup(c.now, append(steps, step{key: s + "_file"})) != nil {
				c.wrong = append(c.wrong, at(m.Path, problem("secret_file", "key", s)))
			} else if lookup(c.now, append(steps, step{key: s})) != nil && !given[entry+"]."+s] {
				c.wrong = append(c.wrong, at(entry+"]."+s, problem("secret_again")))
			}
		}
	}
}

// lookup returns what stands at a place; nil when nothing does.
func lookup(in any, steps []step) any {
	for _, s := range steps {
		switch v := in.(type) {
		case yaml.MapSlice:
			in = v.ToMap()[s.key]
		case []any:
			if s.index < 0 || s.index >= len(v) {
				return nil
			}
			in = v[s.index]
		default:
			return nil
		}
	}
	return in
}

// language is the household's; empty where the file is not accepted.
func (s Sheet) language() string {
	if s.Config == nil {
		return ""
	}
	return s.Config.Household.Language
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
	out := map[string]string{}
	all, err := decode(s.Text)
	if err != nil {
		return out
	}
	for _, k := range keys() {
		part, name, _ := strings.Cut(k.path, ".")
		if k.hidden() || k.is == sensorType() || strings.HasPrefix(name, "profile.") {
			continue
		}
		paths := []string{k.path}
		list, _ := lookup(all, []step{{key: part}}).([]any)
		for i := range list {
			paths = append(paths, fmt.Sprintf("%s[%d].%s", part, i, name))
		}
		for _, path := range paths {
			steps, _ := stepsOf(path) // of the table
			if v := lookup(all, steps); v != nil {
				out[path] = typedAs(v)
			}
		}
	}
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
