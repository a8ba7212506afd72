package estimator

import "time"

// NoteKind is what a jump of the level was taken for.
type NoteKind string

// The kinds of notes.
const (
	NoteFold      NoteKind = "fold"       // dropped and stayed there
	NoteStirred   NoteKind = "stirred"    // likewise, a starter
	NoteMoved     NoteKind = "moved"      // vessel or sensor; the rise is counted on
	NoteMovedBack NoteKind = "moved_back" // the last step undone
	NoteRestart   NoteKind = "restart"    // the level first seen did not last: the start level was taken anew
	NoteFell      NoteKind = "fell"       // lower after a gap and falling on: the dough may have collapsed unseen
	NoteSank      NoteKind = "sank"       // lower after a gap: the starter may be past its peak
)

// Note is a jump of the level.
type Note struct {
	Kind NoteKind
	At   time.Time
	MM   float64 // its size, negative downwards
}

// notes keeps the latest few jumps, with their times in hours.
type notes struct {
	last [8]struct {
		kind   NoteKind
		at, mm float64
	}
	n int
}

func (s *notes) add(kind NoteKind, at, mm float64) {
	if s.n == len(s.last) {
		s.n = copy(s.last[:], s.last[1:])
	}
	x := &s.last[s.n]
	x.kind, x.at, x.mm = kind, at, mm
	s.n++
}

// list returns the notes, oldest first.
func (s *notes) list(when func(float64) time.Time) (out []Note) {
	for _, x := range s.last[:s.n] {
		out = append(out, Note{x.kind, when(x.at), x.mm})
	}
	return out
}
