package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	_ "image/png" // to be decoded
	"math"
	"net/http"

	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"

	"tidemark/alert/text"
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
		return nil, refuse("photo_kind", nil)
	}
	conf, _, err := image.DecodeConfig(bytes.NewReader(body)) // of these two, for no other kind is registered
	if err != nil {
		return nil, refuse("photo", nil)
	}
	limit := int64(maxPixels)
	if typ == "image/png" || progressive(body) {
		limit = maxPixelsDense
	}
	if conf.Width < 1 || conf.Height < 1 || int64(conf.Width)*int64(conf.Height) > limit {
		return nil, refuse("photo_large", text.Values{"n": limit / 1_000_000})
	}
	img, _, err := image.Decode(bytes.NewReader(body))
	if err != nil {
		return nil, refuse("photo", nil)
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, redraw(img, orientation(body)), &jpeg.Options{Quality: jpegQuality}); err != nil {
		return nil, fmt.Errorf("keeping the picture: %w", err)
	}
	return out.Bytes(), nil
}

// redraw draws a picture anew, on white where it is clear, scaled down to keptLongEdge and
// turned upright by its orientation (JEITA CP-3451).
func redraw(img image.Image, orientation int) *image.RGBA {
	b := img.Bounds()
	k := min(1, keptLongEdge/float64(max(b.Dx(), b.Dy())))
	w, h := max(1, math.Round(k*float64(b.Dx()))), max(1, math.Round(k*float64(b.Dy())))
	if orientation >= 5 {
		w, h = h, w
	}
	m := map[int]f64.Aff3{1: {k, 0, 0, 0, k, 0}, 2: {-k, 0, w, 0, k, 0}, 3: {-k, 0, w, 0, -k, h}, 4: {k, 0, 0, 0, -k, h},
		5: {0, k, 0, k, 0, 0}, 6: {0, -k, w, k, 0, 0}, 7: {0, -k, w, -k, 0, h}, 8: {0, k, 0, -k, 0, h}}[orientation]
	out := image.NewRGBA(image.Rect(0, 0, int(w), int(h)))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	draw.ApproxBiLinear.Transform(out, m, img, b, draw.Over, nil)
	return out
}

// orientation reads which way up a JPEG is (Exif tag 0x0112, JEITA CP-3451):
// 1 to 8, and 1 when it does not say.
func orientation(body []byte) int {
	exif := exifBlock(body)
	if len(exif) < 14 {
		return 1
	}
	order := binary.ByteOrder(binary.BigEndian)
	switch string(exif[:2]) {
	case "MM":
	case "II":
		order = binary.LittleEndian
	default:
		return 1
	}
	at := int64(order.Uint32(exif[4:]))
	if at+2 > int64(len(exif)) {
		return 1
	}
	n := int64(order.Uint16(exif[at:]))
	for i := range n {
		e := at + 2 + i*12
		if e+12 > int64(len(exif)) {
			return 1
		}
		if order.Uint16(exif[e:]) == 0x0112 {
			if v := int(order.Uint16(exif[e+8:])); v >= 1 && v <= 8 {
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
