package replay

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// rejected lists the counts of readings that were not believed, by reason.
func rejected(counts map[string]int) string {
	var parts []string
	for _, reason := range slices.Sorted(maps.Keys(counts)) {
		if counts[reason] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[reason], reason))
		}
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, ", ")
}
