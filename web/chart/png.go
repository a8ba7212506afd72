package chart

import (
	"fmt"
	"image/png"
	"io"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
)

// PNG writes the chart as a PNG picture in the light look. Errors come from w
// or, were the built-in font damaged, from reading it.
func PNG(w io.Writer, c Chart) error {
	c = c.withDefaults()
	p := pngCanvas{dc: gg.NewContext(c.Width, c.Height), faces: map[letter]font.Face{}}
	newLayout(c).draw(&p)
	if p.err != nil {
		return p.err
	}
	enc := png.Encoder{CompressionLevel: png.BestCompression}
	return enc.Encode(w, p.dc.Image())
}

// pngCanvas paints shapes on a picture.
type pngCanvas struct {
	dc    *gg.Context
	faces map[letter]font.Face
	err   error // the first thing that went wrong
}

func (p *pngCanvas) area(s style, pts []point) {
	for _, at := range pts {
		p.dc.LineTo(at.x, at.y)
	}
	p.dc.SetColor(lookOf(s).fill)
	p.dc.Fill()
}

func (p *pngCanvas) line(s style, pts ...point) {
	for _, at := range pts {
		p.dc.LineTo(at.x, at.y)
	}
	p.stroke(s, lookOf(s).dash)
}

func (p *pngCanvas) dots(s style, radius float64, pts []point) {
	for _, at := range pts {
		p.dc.DrawCircle(at.x, at.y, radius)
	}
	p.stroke(s, nil)
}

// stroke draws along the path.
func (p *pngCanvas) stroke(s style, dash []float64) {
	k := lookOf(s)
	p.dc.SetColor(k.stroke)
	p.dc.SetLineWidth(k.width)
	p.dc.SetLineCapButt()
	p.dc.SetDash(dash...)
	p.dc.Stroke()
}

func (p *pngCanvas) text(s style, at point, a anchor, words string) {
	k := lookOf(s)
	l := letter{k.size, k.bold}
	if p.faces[l] == nil {
		if p.faces[l], p.err = l.face(); p.err != nil {
			return
		}
	}
	p.dc.SetFontFace(p.faces[l])
	p.dc.SetColor(k.fill)
	p.dc.DrawStringAnchored(words, at.x, at.y, map[anchor]float64{atMiddle: 0.5, atEnd: 1}[a], 0)
}

// letter is a size of letters in pixels, and their weight.
type letter struct {
	size float64
	bold bool
}

// face returns the letters.
func (l letter) face() (font.Face, error) {
	body := goregular.TTF
	if l.bold {
		body = gobold.TTF
	}
	f, err := opentype.Parse(body)
	if err != nil {
		return nil, fmt.Errorf("chart: reading the built-in font: %w", err)
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: l.size, DPI: 72, Hinting: font.HintingNone})
}
