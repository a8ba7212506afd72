package alert

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// maxIDLength keeps IDs usable as the last part of a URL or topic.
const maxIDLength = 64

// alarmID builds the stable ID of an alarm. For a kind that comes once in a
// rise it depends on vessel, kind and rise only; for the others also on when
// moment it was raised, or on the span it is about.
func alarmID(in Input, f finding, perRise bool) string {
	parts := []string{string(f.kind)}
	if f.kind == StepDue {
		parts = append(parts, f.sub)
	}
	if !ofMachine(f.kind) {
		parts = append(parts, in.Vessel)
	}
	if perRise && in.RiseID != 0 {
		return SafeID(append(parts, fmt.Sprint(in.RiseID))...)
	}
	moment := in.Now
	switch {
	case perRise:
		moment = in.Estimate.Started
	case f.kind == NobodyWatched:
		moment = f.since
	}
	return SafeID(append(parts, fmt.Sprint(moment.Unix()))...)
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
