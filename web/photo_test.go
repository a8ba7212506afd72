package web

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// FuzzPhotoHeaders feeds the readers of a JPEG's parts: they never read past
// the end and answer only what they know.
func FuzzPhotoHeaders(f *testing.F) {
	var b bytes.Buffer
	require.NoError(f, jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 4)), nil))
	f.Add(b.Bytes())
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x22Exif\x00\x00II\x2a\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00"))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00MM\x00\x2a\xff\xff\xff\xff"))
	f.Add([]byte("\xff\xd8\xff\xc2\x00\x02"))
	f.Fuzz(func(t *testing.T, body []byte) {
		if o := orientation(body); o < 1 || o > 8 {
			t.Fatalf("orientation %d", o)
		}
		progressive(body)
	})
}

// TestUpright checks each way up by the corner that must come to the top left
// (Exif orientation, JEITA CP-3451: 1 top-left, 2 top-right, 3 bottom-right, 4
// bottom-left, 5 left-top, 6 right-top, 7 right-bottom, 8 left-bottom name the
// places of row 0 and column 0).
func TestUpright(t *testing.T) {
	// Stored picture 3 wide and 2 high; pixel value = 10*row + column.
	img := image.NewRGBA(image.Rect(0, 0, 3, 2))
	for y := range 2 {
		for x := range 3 {
			img.SetRGBA(x, y, color.RGBA{uint8(10*y + x), 0, 0, 255})
		}
	}
	for o, want := range map[int][][]uint8{
		1: {{0, 1, 2}, {10, 11, 12}},
		2: {{2, 1, 0}, {12, 11, 10}},
		3: {{12, 11, 10}, {2, 1, 0}},
		4: {{10, 11, 12}, {0, 1, 2}},
		5: {{0, 10}, {1, 11}, {2, 12}},
		6: {{10, 0}, {11, 1}, {12, 2}},
		7: {{12, 2}, {11, 1}, {10, 0}},
		8: {{2, 12}, {1, 11}, {0, 10}},
	} {
		got := redraw(img, o)
		var rows [][]uint8
		for y := range got.Bounds().Dy() {
			var row []uint8
			for x := range got.Bounds().Dx() {
				row = append(row, got.RGBAAt(x, y).R)
			}
			rows = append(rows, row)
		}
		assert.Equal(t, want, rows, "orientation %d", o)
	}
}
