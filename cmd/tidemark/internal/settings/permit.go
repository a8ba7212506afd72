package settings

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml"
)

// permitted are the places that may be set from outside the file.
var permitted = regexp.MustCompile(`^(household\.(time_zone|clock|temperature|language|altitude_m|quiet_from|quiet_until)` +
	`|web\.base_url` +
	`|channels\[(\d+|\+)\]` +
	`|vessels\[(\d+|\+)\]` +
	`|vessels\[\d+\]\.(name|holds|floor_mm|profile|target_percent|lead|lost_after|height|dough|air|humidity))$`)

// channelKeys and vesselKeys may stand in a new entry.
const (
	channelKeys = " name kind url token topic sign_key user password host port tls from to base_topic discovery_prefix discovery_form from_level "
	vesselKeys  = " name holds floor_mm profile target_percent lead height dough air humidity "
)

// Permitted reports why a change may not be made from outside the file: never the
// command channel, which runs programs, nor names of files, the state directory or
// the address to listen at. text is the file as it is.
func Permitted(text []byte, c Change) error {
	if !permitted.MatchString(c.Path) {
		return fmt.Errorf("%s is set in the file by hand only", c.Path)
	}
	if strings.HasPrefix(c.Path, "channels[") {
		return permittedChannel(text, c)
	}
	m, keys := c.Value.(yaml.MapSlice)
	switch {
	case c.Path == "vessels[+]":
		return onlyKeys(m, vesselKeys)
	case keys:
		return noFiles(m)
	}
	return nil
}

// permittedChannel looks at a channel that is added or taken out.
func permittedChannel(text []byte, c Change) error {
	m, _ := c.Value.(yaml.MapSlice)
	if c.Path == "channels[+]" {
		for _, item := range m {
			if item.Key == "kind" && item.Value == "command" {
				return fmt.Errorf("a command channel runs a program; it is set in the file by hand only")
			}
		}
		return onlyKeys(m, channelKeys)
	}
	if c.Value != nil {
		return fmt.Errorf("a channel is added or taken out whole")
	}
	var now struct {
		Channels []struct {
			Kind string `yaml:"kind"`
		} `yaml:"channels"`
	}
	steps, err := stepsOf(c.Path)
	if err != nil {
		return err
	}
	if err := yaml.Unmarshal(text, &now); err != nil {
		return fmt.Errorf("the file cannot be read as YAML: %w", err)
	}
	if i := steps[1].index; i < len(now.Channels) && now.Channels[i].Kind == "command" {
		return fmt.Errorf("a command channel runs a program; it is set in the file by hand only")
	}
	return nil
}

// onlyKeys refuses keys that are not listed, and files in what lies under them.
func onlyKeys(m yaml.MapSlice, list string) error {
	for _, item := range m {
		if !strings.Contains(list, fmt.Sprintf(" %v ", item.Key)) {
			return fmt.Errorf("%v is set in the file by hand only", item.Key)
		}
		if inner, ok := item.Value.(yaml.MapSlice); ok {
			if err := noFiles(inner); err != nil {
				return err
			}
		}
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
