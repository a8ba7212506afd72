package web

import (
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// scanPicture draws a text as a picture that phones read (QR code, ISO/IEC 18004) with
// the quiet zone of four modules that the standard asks for; empty when it is too long.
func scanPicture(text string) string {
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return ""
	}
	const quiet = 4
	side := code.Bounds().Dx()
	var b strings.Builder
	for y := range side {
		for x := range side {
			if r, _, _, _ := code.At(x, y).RGBA(); r == 0 {
				fmt.Fprintf(&b, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="220" height="220" role="img" aria-label="picture to scan" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h%dv%dH0z"/><path d="%s"/></svg>`,
		side+2*quiet, side+2*quiet, side+2*quiet, side+2*quiet, b.String())
}

// addressPicture serves the address of this page as a picture.
func (s *Server) addressPicture(w http.ResponseWriter, r *http.Request) error {
	sheet, err := s.opt.Setup.Sheet()
	if err != nil || len(sheet.Addresses) == 0 {
		http.NotFound(w, r)
		return nil
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "no-store")
	fmt.Fprint(w, scanPicture(sheet.Addresses[0]))
	return nil
}

// subscribePicture is the address of a topic that the form just added; empty when it
// added none.
func (s *Server) subscribePicture(r *http.Request) template.HTML {
	if r.PostFormValue("channels[+].kind") != "topic" {
		return ""
	}
	server := strings.TrimSuffix(strings.TrimSpace(r.PostFormValue("channels[+].url")), "/")
	return template.HTML(scanPicture(server + "/" + strings.TrimSpace(r.PostFormValue("channels[+].topic")))) //nolint:gosec // drawn from modules, holds no text
}
