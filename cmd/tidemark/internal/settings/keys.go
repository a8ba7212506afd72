package settings

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
)

// form is how the value of a key is typed.
type form int

const (
	text    form = iota
	decimal      // 240 or 85.5
	lengths      // 200 x 140
	names        // with commas between
	source       // a sensor in one line
	whole        // by its own keys
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
		{"channels.name", text, ""}, {"channels.kind", text, ""}, {"channels.url", text, ""}, {"channels.token", text, ""}, {"channels.topic", text, ""},
		{"channels.sign_key", text, ""}, {"channels.user", text, ""}, {"channels.password", text, ""}, {"channels.host", text, ""}, {"channels.port", decimal, ""},
		{"channels.tls", text, ""}, {"channels.from", text, ""}, {"channels.to", names, ""}, {"channels.base_topic", text, ""},
		{"channels.discovery_prefix", text, ""}, {"channels.discovery_form", text, ""}, {"channels.from_level", decimal, ""},
		{"vessels.name", text, ""}, {"vessels.holds", text, ""}, {"vessels.floor_mm", decimal, ""}, {"vessels.profile", whole, ""},
		{"vessels.profile.shape", text, ""}, {"vessels.profile.diameter_mm", decimal, ""}, {"vessels.profile.bottom_diameter_mm", decimal, ""},
		{"vessels.profile.top_diameter_mm", decimal, ""}, {"vessels.profile.bottom_mm", lengths, ""}, {"vessels.profile.top_mm", lengths, ""},
		{"vessels.profile.rim_diameter_mm", decimal, ""}, {"vessels.profile.height_mm", decimal, ""}, {"vessels.profile.depth_mm", decimal, ""},
		{"vessels.height", source, ""}, {"vessels.dough", source, ""}, {"vessels.air", source, ""}, {"vessels.humidity", source, ""},
		{"vessels.target_percent", decimal, ""}, {"vessels.lead", text, ""}, {"vessels.lost_after", text, ""},
	}
}

// place is a path into the file as it is typed: a part of it, or an entry of a list with
// its number or + for a new one, and a key.
var place = regexp.MustCompile(`^(?:(household|web)|(channels|vessels)\[(?:\d+|\+)\])(\.[a-z_.]+)?$`)

// plainPath leaves out the number of the entry; it is empty for what is no place.
func plainPath(path string) string {
	m := place.FindStringSubmatch(path)
	if m == nil {
		return ""
	}
	return m[1] + m[2] + m[3]
}

// find returns the place of a key in the table, by its path without numbers; -1 when it
// is not there.
func find(plain string) int {
	return slices.IndexFunc(keys(), func(k key) bool { return k.path == plain })
}

// sorted puts the keys of an entry at a path in the order of the table.
func sorted(at string, v any) {
	m, _ := v.(yaml.MapSlice)
	rank := func(i yaml.MapItem) int { return find(fmt.Sprintf("%s.%v", at, i.Key)) }
	slices.SortStableFunc(m, func(a, b yaml.MapItem) int { return rank(a) - rank(b) })
	for _, item := range m {
		sorted(fmt.Sprintf("%s.%v", at, item.Key), item.Value)
	}
}

var errCommand = errors.New("a command channel runs a program; it is set in the file by hand only")

// Permitted reports why a change may not be made from outside the file. body is the file
// as it is.
func Permitted(body []byte, c Change) error {
	m, _ := c.Value.(yaml.MapSlice)
	switch plain := plainPath(c.Path); {
	case plain == "channels" && c.Value == nil:
		return permittedRemoval(body, c.Path)
	case plain == "channels" && slices.ContainsFunc(m, func(i yaml.MapItem) bool { return i.Key == "kind" && fmt.Sprint(i.Value) == "command" }):
		return errCommand
	case plain == "channels", plain == "vessels":
		for _, item := range m {
			if find(fmt.Sprintf("%s.%v", plain, item.Key)) < 0 {
				return fmt.Errorf("%v is set in the file by hand only", item.Key)
			}
			if inner, ok := item.Value.(yaml.MapSlice); ok {
				if err := noFiles(inner); err != nil {
					return err
				}
			}
		}
		return nil
	case strings.HasPrefix(plain, "channels"):
		return errors.New("a channel is added or taken out whole")
	case find(plain) < 0:
		return fmt.Errorf("%s is set in the file by hand only", c.Path)
	}
	return noFiles(m)
}

// permittedRemoval looks at the channel that is taken out.
func permittedRemoval(body []byte, path string) error {
	var now struct {
		Channels []struct {
			Kind string `yaml:"kind"`
		} `yaml:"channels"`
	}
	steps, err := stepsOf(path)
	if err != nil {
		return err
	}
	if err := yaml.Unmarshal(body, &now); err != nil {
		return fmt.Errorf("the file cannot be read as YAML: %w", err)
	}
	if i := steps[1].index; i >= 0 && i < len(now.Channels) && now.Channels[i].Kind == "command" {
		return errCommand
	}
	return nil
}

// noFiles refuses keys that name a file.
func noFiles(m yaml.MapSlice) error {
	for _, item := range m {
		if key := fmt.Sprint(item.Key); strings.HasSuffix(key, "_file") {
			return fmt.Errorf("%s names a file; it is set in the file by hand only", key)
		}
	}
	return nil
}
