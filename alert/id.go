package alert

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

// maxIDLength keeps IDs usable as the last part of a URL or topic.
const maxIDLength = 64

// alarmID returns the stable ID of an alarm. For a kind that comes once in a rise it
// depends on vessel, kind and rise only; for the others also on what it is about and
// since when it was seen, so that the same inputs folded again come to the same ID.
func alarmID(a Alarm, sub string, perRise bool, started, seen time.Time) string {
	parts := []string{string(a.Kind)}
	if a.Kind == StepDue || a.Kind == ProbeLost {
		parts = append(parts, sub)
	}
	if !ofMachine(a.Kind) {
		parts = append(parts, a.Vessel)
	}
	switch {
	case perRise && a.RiseID != 0:
		return SafeID(append(parts, fmt.Sprint(a.RiseID))...)
	case perRise:
		return SafeID(append(parts, fmt.Sprint(started.Unix()))...)
	}
	return SafeID(append(parts, fmt.Sprint(seen.Unix()))...)
}

// SafeID joins parts with "-" into letters, digits, "-" and "_". When that
// loses anything, a piece of a hash keeps IDs apart.
func SafeID(parts ...string) string {
	whole := strings.Join(parts, "-")
	id := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '_'
	}, whole)
	if id == whole && len(id) <= maxIDLength {
		return id
	}
	sum := sha256.Sum256([]byte(whole))
	tail := "-" + hex.EncodeToString(sum[:5])
	return id[:min(len(id), maxIDLength-len(tail))] + tail
}
