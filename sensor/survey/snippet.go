package survey

import (
	"fmt"
	"strings"

	"github.com/goccy/go-yaml"

	"tidemark/sensor"
)

// Snippet returns a piece of configuration for what a scan found, ready to paste
// and accepted as it stands: a vessel for each distance sensor, with a probe in its
// dough as long as there are probes. Probes left over stand in a comment. It is
// empty when no distance sensor was found, because no vessel can do without.
func Snippet(sections []Section) string {
	found := map[string][]sensor.Spec{} // by role
	for _, s := range sections {
		for _, d := range s.Devices {
			if role := roleOf(d); role != "" {
				found[role] = append(found[role], d.Spec)
			}
		}
	}
	heights, probes := found["height"], found["dough"]
	if len(heights) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("vessels:\n")
	for i, height := range heights {
		writeVessel(&b, i, map[string][]sensor.Spec{"height": {height}, "dough": part(probes, i), "air": part(found["air"], 0), "humidity": part(found["humidity"], 0)})
	}
	for _, spare := range probes[min(len(heights), len(probes)):] {
		fmt.Fprintf(&b, "# one probe more, for air or loaf of a vessel: %s\n", Flow(spare))
	}
	return b.String()
}

// roleOf returns what a device of a scan is proposed for: height, dough, air or
// humidity; empty when it is not proposed.
func roleOf(d Device) string {
	switch {
	case d.Spec.IsZero() || d.Spec.Validate(d.Quantity) != nil:
		return ""
	case d.Spec.Kind == sensor.KindSerial: // the line may lead anywhere
		return ""
	case d.Quantity == sensor.Distance:
		return "height"
	case d.Spec.Kind == sensor.KindW1:
		return "dough"
	case d.Quantity == sensor.Temperature:
		return "air"
	default:
		return "humidity"
	}
}

// part returns the one element at i, or none.
func part(specs []sensor.Spec, i int) []sensor.Spec {
	if i < len(specs) {
		return specs[i : i+1]
	}
	return nil
}

// writeVessel writes vessel number i with its sensors by role.
func writeVessel(b *strings.Builder, i int, sensors map[string][]sensor.Spec) {
	fmt.Fprintf(b, "  - name: vessel %d            # a name of your own\n", i+1)
	b.WriteString("    holds: dough               # or starter\n")
	b.WriteString("    floor_mm: 240              # sensor to the empty vessel's floor; tidemark level measures it\n")
	b.WriteString("    profile: {shape: straight, diameter_mm: 180, height_mm: 180}   # your vessel's inside\n")
	b.WriteString("    target_percent: 100        # doubling\n")
	for _, role := range []string{"height", "dough", "air", "humidity"} {
		for _, spec := range sensors[role] {
			fmt.Fprintf(b, "    %s: %s\n", role, Flow(spec))
		}
	}
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
