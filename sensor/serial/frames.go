// Package serial reads ultrasonic heads that send their distance over a serial
// line.
//
// Units: distance in mm. Sources: the frames of such heads, and the codes by which
// they say that they see nothing, are from memory.
//
// Invariants: a distance is the median of several frames; bytes that arrived
// before a reading began are never served as that reading.
package serial

import (
	"bytes"
	"strconv"
)

// maxFrame is the longest frame of any format, in bytes.
const maxFrame = 16

// Formats of heads.
const (
	FormatFrame = "frame" // FF, high byte, low byte, sum of the three, in mm
	FormatText  = "text"  // R and the distance in mm in digits, ended by a carriage return
)

// ParseFrames takes the distances in mm out of bytes received in a format. rest
// is what may still become a frame with the bytes to come, and is at most a frame
// long; bad counts bytes and frames that were thrown away.
func ParseFrames(format string, in []byte) (mm []float64, rest []byte, bad int) {
	next := nextBinary
	if format == FormatText {
		next = nextText
	}
	for len(in) > 0 {
		value, used, ok := next(in)
		if used == 0 { // not complete yet
			break
		}
		switch in = in[used:]; {
		case !ok:
			bad++
		case value >= 0:
			mm = append(mm, value)
		}
	}
	return mm, in, bad
}

// nextBinary takes one frame of four bytes off in, or one byte that cannot begin
// a frame. used is 0 when more bytes are needed.
func nextBinary(in []byte) (mm float64, used int, ok bool) {
	switch {
	case in[0] != 0xff:
		return 0, 1, false
	case len(in) < 4:
		return 0, 0, false
	case in[0]+in[1]+in[2] != in[3]:
		return 0, 1, false // the FF may have been a data byte: look on behind it
	default:
		return float64(int(in[1])<<8 | int(in[2])), 4, true
	}
}

// nextText takes one line off in, or the second half of a line end, for which mm is
// negative. used is 0 when its end has not come yet.
func nextText(in []byte) (mm float64, used int, ok bool) {
	end := bytes.IndexAny(in, "\r\n")
	switch {
	case end < 0 && len(in) > maxFrame:
		return 0, len(in), false
	case end < 0:
		return 0, 0, false
	case end == 0:
		return -1, 1, true
	}
	n, err := strconv.ParseUint(string(in[1:end]), 10, 16)
	return float64(n), end + 1, err == nil && in[0] == 'R' && end >= 4 && end <= 6
}
