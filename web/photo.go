package web

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"net/http"

	"golang.org/x/image/draw"
)

// The limits of a photo. A picture is refused by its declared size before it
// is unpacked, so that a small file cannot fill the memory.
const (
	maxPixels      = 16_000_000 // a plain JPEG: 24 MB while it is unpacked
	maxPixelsDense = 6_000_000  // a PNG or progressive JPEG: 36 MB
	keptLongEdge   = 1600       // longest edge of what is kept, pixels
	jpegQuality    = 82
)

// cleanPhoto checks a picture and draws it anew, so that nothing but its
// pixels is kept: no place, no camera, no hidden file behind it. It returns a
// JPEG. The way up is kept by turning the pixels.
func cleanPhoto(body []byte) ([]byte, error) {
	typ := http.DetectContentType(body)
	if typ != "image/jpeg" && typ != "image/png" {
		return nil, Refuse("The file is %s; a JPEG or PNG picture is needed.", typ)
	}
	conf, _, err := decodeConfig(typ, body)
	if err != nil {
		return nil, Refuse("The picture cannot be read: %v.", err)
	}
	limit := int64(maxPixels)
	if typ == "image/png" || progressive(body) {
		limit = maxPixelsDense
	}
	if conf.Width < 1 || conf.Height < 1 || int64(conf.Width)*int64(conf.Height) > limit {
		return nil, Refuse("The picture has %d by %d pixels; at most %d million are taken of this kind.", conf.Width, conf.Height, limit/1_000_000)
	}
	img, err := decode(typ, body)
	if err != nil {
		return nil, Refuse("The picture is damaged: %v.", err)
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, upright(shrink(img), orientation(body)), &jpeg.Options{Quality: jpegQuality}); err != nil {
		return nil, fmt.Errorf("keeping the picture: %w", err)
	}
	return out.Bytes(), nil
}

func decodeConfig(typ string, body []byte) (image.Config, string, error) {
	if typ == "image/png" {
		c, err := png.DecodeConfig(bytes.NewReader(body))
		return c, typ, err
	}
	c, err := jpeg.DecodeConfig(bytes.NewReader(body))
	return c, typ, err
}

func decode(typ string, body []byte) (image.Image, error) {
	if typ == "image/png" {
		return png.Decode(bytes.NewReader(body))
	}
	return jpeg.Decode(bytes.NewReader(body))
}

// shrink scales a picture down to keptLongEdge, on white where it is clear.
func shrink(img image.Image) *image.RGBA {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	nw, nh := w, h
	if long := max(w, h); long > keptLongEdge {
		nw, nh = max(1, w*keptLongEdge/long), max(1, h*keptLongEdge/long)
	}
	out := image.NewRGBA(image.Rect(0, 0, nw, nh))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(out, out.Bounds(), img, img.Bounds(), draw.Over, nil)
	return out
}

// orientation reads which way up a JPEG is (Exif tag 0x0112, JEITA CP-3451):
// 1 to 8, and 1 when it does not say.
func orientation(body []byte) int {
	exif := exifBlock(body)
	if len(exif) < 14 {
		return 1
	}
	u16, u32 := byteOrder(exif)
	if u16 == nil {
		return 1
	}
	at := int64(u32(exif[4:]))
	if at+2 > int64(len(exif)) {
		return 1
	}
	n := int64(u16(exif[at:]))
	for i := range n {
		e := at + 2 + i*12
		if e+12 > int64(len(exif)) {
			return 1
		}
		if u16(exif[e:]) == 0x0112 {
			if v := int(u16(exif[e+8:])); v >= 1 && v <= 8 {
				return v
			}
			return 1
		}
	}
	return 1
}

// segments walks the parts of a JPEG before its pixels (ITU-T T.81, B.1.1),
// until visit returns false.
func segments(b []byte, visit func(marker byte, part []byte) bool) {
	for i := 2; i+4 <= len(b) && b[i] == 0xff; {
		marker, size := b[i+1], int(b[i+2])<<8|int(b[i+3])
		if marker == 0xda || size < 2 || i+2+size > len(b) || !visit(marker, b[i+4:i+2+size]) {
			return
		}
		i += 2 + size
	}
}

// exifBlock finds the Exif part of a JPEG.
func exifBlock(b []byte) (exif []byte) {
	segments(b, func(marker byte, part []byte) bool {
		if marker == 0xe1 && bytes.HasPrefix(part, []byte("Exif\x00\x00")) {
			exif = part[6:]
		}
		return exif == nil
	})
	return exif
}

// progressive reports whether a JPEG is stored in passes, which takes several
// times the memory to unpack.
func progressive(b []byte) bool {
	found := false
	segments(b, func(marker byte, _ []byte) bool {
		found = found || marker == 0xc2
		return !found
	})
	return found
}

// byteOrder gives the readers for the order the Exif block says; nil for none.
func byteOrder(exif []byte) (func([]byte) uint16, func([]byte) uint32) {
	switch string(exif[:2]) {
	case "II":
		return func(b []byte) uint16 { return uint16(b[0]) | uint16(b[1])<<8 },
			func(b []byte) uint32 { return uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 | uint32(b[3])<<24 }
	case "MM":
		return func(b []byte) uint16 { return uint16(b[1]) | uint16(b[0])<<8 },
			func(b []byte) uint32 { return uint32(b[3]) | uint32(b[2])<<8 | uint32(b[1])<<16 | uint32(b[0])<<24 }
	}
	return nil, nil
}

// upright turns and mirrors a picture as its orientation asks.
func upright(img *image.RGBA, o int) *image.RGBA {
	if o <= 1 {
		return img
	}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	ow, oh := w, h
	if o >= 5 {
		ow, oh = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, ow, oh))
	for y := range oh {
		for x := range ow {
			sx, sy := source(o, x, y, w, h)
			out.SetRGBA(x, y, img.RGBAAt(sx, sy))
		}
	}
	return out
}

// source is where the pixel at x, y of the upright picture comes from.
func source(o, x, y, w, h int) (int, int) {
	switch o {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return y, h - 1 - x
	case 7:
		return w - 1 - y, h - 1 - x
	case 8:
		return w - 1 - y, x
	}
	return x, y
}

// readPhoto takes the one file out of an upload.
func readPhoto(w http.ResponseWriter, r *http.Request, limit int64) ([]byte, error) {
	var body bytes.Buffer
	_, _, err := upload{field: "photo", limit: limit, what: "a picture"}.read(w, r, &body)
	return body.Bytes(), err
}
