package chart

import "io"

// Icon writes the program's sign as a square PNG: a level line, a curve that
// rises to it and the fan beyond. size is in pixels.
func Icon(w io.Writer, size int) error {
	k := float64(size) / 64
	at := func(x, y float64) point { return point{x * k, y * k} }
	return writePNG(w, size, size, func(cv canvas) {
		cv.area(paper, rect(0, 0, float64(size), float64(size)))
		cv.area(fan, []point{at(40, 22), at(58, 6), at(58, 26)})
		cv.area(measured.solid(), []point{at(6, 18.5), at(58, 18.5), at(58, 21.5), at(6, 21.5)})
		var curve []point
		for i := range 33 {
			t := float64(i) / 32
			u := 1 - t
			curve = append(curve, at(u*u*u*6+3*u*u*t*26+3*u*t*t*30+t*t*t*40, u*u*u*52+3*u*u*t*52+3*u*t*t*34+t*t*t*22))
		}
		cv.area(measured.solid(), ribbon(curve, 2.5*k))
	})
}

// solid is a style's ink as a fill: the letters' style has it.
func (style) solid() style { return titleText }
