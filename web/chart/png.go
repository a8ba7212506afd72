package chart

import (
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// PNG writes the chart as a PNG picture in the light look. Errors come from w
// or, were the built-in font damaged, from reading it.
func PNG(w io.Writer, c Chart) error {
	c = c.withDefaults()
	p, err := newPNGCanvas(c.Width, c.Height)
	if err != nil {
		return err
	}
	newLayout(c).draw(p)
	if p.err != nil {
		return p.err
	}
	enc := png.Encoder{CompressionLevel: png.BestCompression}
	return enc.Encode(w, p.img)
}

// pngCanvas paints shapes on a picture.
type pngCanvas struct {
	img           *image.NRGBA
	regular, bold *opentype.Font
	err           error // the first thing that went wrong
}

func newPNGCanvas(w, h int) (*pngCanvas, error) {
	regular, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("chart: reading the built-in font: %w", err)
	}
	bold, err := opentype.Parse(gobold.TTF)
	if err != nil {
		return nil, fmt.Errorf("chart: reading the built-in bold font: %w", err)
	}
	return &pngCanvas{img: image.NewNRGBA(image.Rect(0, 0, w, h)), regular: regular, bold: bold}, nil
}

func (p *pngCanvas) area(s style, pts []point) {
	p.fill([][]point{pts}, image.NewUniform(lightLook(s).fill))
}

func (p *pngCanvas) line(s style, pts ...point) {
	k := lightLook(s)
	var shapes [][]point
	for _, run := range dashed(pts, k.dash) {
		shapes = append(shapes, ribbon(run, k.width/2))
	}
	p.fill(shapes, image.NewUniform(k.stroke))
}

func (p *pngCanvas) dots(s style, radius float64, pts []point) {
	k := lightLook(s)
	var shapes [][]point
	for _, at := range pts {
		outer, inner := circle(at, radius+k.width/2, 16), circle(at, math.Max(0, radius-k.width/2), 16)
		shapes = append(shapes, outer, reversed(inner))
	}
	p.fill(shapes, image.NewUniform(k.stroke))
}

func (p *pngCanvas) text(s style, at point, a anchor, words string) {
	k := lightLook(s)
	f := p.regular
	if k.bold {
		f = p.bold
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: textSize(s), DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		p.err = fmt.Errorf("chart: sizing the built-in font: %w", err)
		return
	}
	defer face.Close()
	d := font.Drawer{Dst: p.img, Src: image.NewUniform(k.fill), Face: face}
	x := at.x
	switch a {
	case atMiddle:
		x -= float64(d.MeasureString(words)) / 128
	case atEnd:
		x -= float64(d.MeasureString(words)) / 64
	}
	d.Dot = fixed.Point26_6{X: fixed.Int26_6(math.Round(x * 64)), Y: fixed.Int26_6(math.Round(at.y * 64))}
	d.DrawString(words)
}

// fill paints closed shapes in one go, so that overlaps do not darken; a shape
// that turns the other way cuts a hole.
func (p *pngCanvas) fill(shapes [][]point, src image.Image) {
	box := bounds(shapes).Intersect(p.img.Bounds())
	if box.Empty() {
		return
	}
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	dx, dy := float64(box.Min.X), float64(box.Min.Y)
	for _, s := range shapes {
		for i, at := range s {
			x, y := float32(at.x-dx), float32(at.y-dy)
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
	}
	r.DrawOp = draw.Over
	r.Draw(p.img, box, src, image.Point{})
}

// bounds is the box of whole pixels round all shapes.
func bounds(shapes [][]point) image.Rectangle {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, s := range shapes {
		for _, at := range s {
			x0, x1 = math.Min(x0, at.x), math.Max(x1, at.x)
			y0, y1 = math.Min(y0, at.y), math.Max(y1, at.y)
		}
	}
	if x0 > x1 {
		return image.Rectangle{}
	}
	return image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1))+1, int(math.Ceil(y1))+1)
}
