package estimator

import (
	"fmt"
	"math"
	"time"
)

// noteKind is a remark about the rise.
type noteKind uint8

const (
	noteDrop noteKind = iota
	noteStirred
	noteMoved
	noteMovedBack
	noteRestart
	noteFell
	noteSank
)

// note is a remark with its time; words are made only when asked for.
type note struct {
	kind noteKind
	at   float64
	mm   float64
}

// notes keeps the latest few remarks.
type notes struct {
	list [8]note
	n    int
}

func (s *notes) add(kind noteKind, at, mm float64) {
	if s.n == len(s.list) {
		copy(s.list[:], s.list[1:])
		s.n--
	}
	s.list[s.n] = note{kind, at, mm}
	s.n++
}

// words puts a note into a sentence; when is its time in words.
func (n note) words(when time.Time) string {
	at, mm := when.Format("15:04"), math.Abs(n.mm)
	switch n.kind {
	case noteDrop:
		return fmt.Sprintf("The level dropped %.0f mm at %s and stayed there: taken as a fold.", mm, at)
	case noteStirred:
		return fmt.Sprintf("The level dropped %.0f mm at %s and stayed there: taken as stirred or knocked.", mm, at)
	case noteMoved:
		return fmt.Sprintf("The reading jumped %.0f mm at %s and stayed there: taken as a moved vessel or sensor, the rise is counted on.", mm, at)
	case noteMovedBack:
		return fmt.Sprintf("The reading jumped back %.0f mm at %s: vessel or sensor is back in its place.", mm, at)
	case noteRestart:
		return fmt.Sprintf("The level first seen did not last; the start level was taken anew at %s.", at)
	case noteFell:
		return fmt.Sprintf("The level was %.0f mm lower at %s after a gap and went on falling: the dough may have collapsed unseen.", mm, at)
	default:
		return fmt.Sprintf("The level was %.0f mm lower at %s after a gap: the starter may be past its peak.", mm, at)
	}
}
