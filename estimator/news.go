package estimator

import (
	"fmt"
	"math"
	"time"
)

// newsKind is what a piece of news is about.
type newsKind uint8

const (
	isPoint newsKind = iota
	isTemper
	isDisturb
	isCold
	isWarm
	isStop
)

// item is one piece of news for the forecast.
type item struct {
	kind  newsKind
	hands bool    // something else than dough was seen since the point before
	at    float64 // hours
	a, b  float64 // volume and sd, litres; dough and air, Celsius; share that may be lost
}

// news is what the forecast has not been told yet, in a ring of fixed size:
// taking in a sample must not allocate, and the forecast may.
type news struct {
	items     [256]item
	n         int
	urgent    bool    // something other than another point: refit now
	restarted bool    // forget all points: the start level was wrong
	heldFrom  float64 // points from here on may yet be taken back, hours
	tempAt    float64
	tempN     int
}

// put appends an item; a full ring loses the oldest, which the caller avoids by
// draining it in time.
func (w *news) put(i item) {
	if w.n == len(w.items) {
		copy(w.items[:], w.items[1:])
		w.n--
	}
	w.items[w.n] = i
	w.n++
}

// first puts an item before all others.
func (w *news) first(i item) {
	w.put(i)
	copy(w.items[1:w.n], w.items[:w.n-1])
	w.items[0] = i
}

func (w *news) point(at, volumeL, sdL float64, hands bool) {
	w.put(item{kind: isPoint, at: at, a: volumeL, b: sdL, hands: hands})
}

// temper passes a temperature on at most every half minute.
func (w *news) temper(at, doughC, airC float64) {
	if w.tempN > 0 && at-w.tempAt < bucketHours {
		return
	}
	w.tempN, w.tempAt = 1, at
	w.put(item{kind: isTemper, at: at, a: doughC, b: airC})
}

func (w *news) disturb(at, share float64) {
	w.put(item{kind: isDisturb, at: at, a: share})
	w.urgent = true
}

// forget takes back the points from at on.
func (w *news) forget(at float64) {
	kept := 0
	for _, i := range w.items[:w.n] {
		if i.kind == isPoint && i.at >= at {
			continue
		}
		w.items[kept] = i
		kept++
	}
	w.n = kept
}

// restart drops the points so far and keeps the temperatures.
func (w *news) restart() {
	kept := 0
	for _, i := range w.items[:w.n] {
		if i.kind == isPoint || i.kind == isDisturb {
			continue
		}
		w.items[kept] = i
		kept++
	}
	w.n, w.restarted, w.urgent = kept, true, true
}

// noteKind is a remark about the rise.
type noteKind uint8

const (
	noteDrop noteKind = iota
	noteStirred
	noteMoved
	noteMovedBack
	noteRestart
	noteDropInGap
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
	at, mm := when.Format("2006-01-02T15:04Z07:00"), math.Abs(n.mm)
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
	case noteSank:
		return fmt.Sprintf("The level was %.0f mm lower at %s after a gap: the starter may be past its peak.", mm, at)
	default:
		return fmt.Sprintf("The level was %.0f mm lower at %s after a gap: taken as a fold.", mm, at)
	}
}
