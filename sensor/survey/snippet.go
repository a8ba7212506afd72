package survey

import (
	"fmt"
	"strings"

	"github.com/goccy/go-yaml"

	"tidemark/sensor"
)

// Snippet is a piece of configuration for what a scan found, ready to paste: each
// distance sensor gets a vessel of its own, with a probe if one is left over. It
// is empty when no sensor was found.
func Snippet(sections []Section) string {
	var heights, probes, airs, humids []sensor.Spec
	for _, s := range sections {
		for _, d := range s.Devices {
			switch {
			case d.Spec.IsZero():
			case d.Quantity == sensor.Distance && d.Spec.Kind != sensor.KindSerial:
				heights = append(heights, d.Spec)
			case d.Quantity == sensor.Temperature && d.Spec.Kind == sensor.KindW1:
				probes = append(probes, d.Spec)
			case d.Quantity == sensor.Temperature:
				airs = append(airs, d.Spec)
			case d.Quantity == sensor.Humidity:
				humids = append(humids, d.Spec)
			}
		}
	}
	if len(heights)+len(probes) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("vessels:\n")
	for i := range max(len(heights), len(probes), 1) {
		b.WriteString(vesselSnippet(i, pick(heights, i), pick(probes, i), pick(airs, 0), pick(humids, 0)))
	}
	return b.String()
}

// pick is the element at i, or the zero one.
func pick(specs []sensor.Spec, i int) sensor.Spec {
	if i < len(specs) {
		return specs[i]
	}
	return sensor.Spec{}
}

// vesselSnippet is one vessel of a snippet.
func vesselSnippet(i int, height, dough, air, humidity sensor.Spec) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  - name: vessel %d            # a name of your own\n", i+1)
	b.WriteString("    holds: dough               # or starter\n")
	b.WriteString("    floor_mm: 240              # sensor to the empty vessel's floor; tidemark level measures it\n")
	b.WriteString("    profile: {shape: straight, diameter_mm: 180, height_mm: 180}   # your vessel's inside\n")
	b.WriteString("    target_percent: 100        # doubling\n")
	if height.IsZero() {
		b.WriteString("    # height: no distance sensor was found for this vessel\n")
	} else {
		fmt.Fprintf(&b, "    height: %s\n", Flow(height))
	}
	for _, s := range []struct {
		role string
		spec sensor.Spec
	}{{"dough", dough}, {"air", air}, {"humidity", humidity}} {
		if !s.spec.IsZero() {
			fmt.Fprintf(&b, "    %s: %s\n", s.role, Flow(s.spec))
		}
	}
	return b.String()
}

// Flow writes a Spec in one line, as it stands in a configuration.
func Flow(s sensor.Spec) string {
	b, err := yaml.MarshalWithOptions(s, yaml.Flow(true))
	if err != nil {
		return fmt.Sprintf("{kind: %s}", s.Kind) // plain strings and numbers always marshal
	}
	text := strings.TrimSpace(string(b))
	for _, key := range []string{"address", "mux"} { // usual in hex
		text = hexValue(text, key)
	}
	return text
}

// hexValue rewrites a decimal value of a key in hex.
func hexValue(text, key string) string {
	var n int
	at := strings.Index(text, key+": ")
	if at < 0 {
		return text
	}
	if _, err := fmt.Sscanf(text[at:], key+": %d", &n); err != nil {
		return text
	}
	return strings.Replace(text, fmt.Sprintf("%s: %d", key, n), fmt.Sprintf("%s: 0x%02x", key, n), 1)
}
