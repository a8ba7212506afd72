package web

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"tidemark/alert/text"
)

// The largest uploads in bytes, where Options say nothing.
const (
	defaultPhotosMax  = 12 << 20
	defaultRecordsMax = 64 << 20
	defaultBackupsMax = 1 << 30
)

// isUpload reports whether the request brings a file, which has its own limit.
func isUpload(r *http.Request) bool {
	uploads := []string{"/house/restores", "/house/records"}
	return r.Method == http.MethodPost && (slices.Contains(uploads, r.URL.Path) || strings.HasSuffix(r.URL.Path, "/photos"))
}

// maxFields bounds the other fields of a form with a file.
const maxFields = 16

// receive copies the file of a form to a place and returns its name and the other fields.
// The client may take its time as long as bytes arrive, up to slowTime.
func receive(w http.ResponseWriter, r *http.Request, field string, limit int64, to io.Writer) (name string, fields url.Values, err error) {
	r.Body = http.MaxBytesReader(w, r.Body, limit+64<<10)
	r.Body = &patient{ReadCloser: r.Body, rc: http.NewResponseController(w), until: time.Now().Add(slowTime)}
	m, err := r.MultipartReader()
	if err != nil {
		return "", nil, refuse("form", nil)
	}
	fields = url.Values{}
	for range maxFields {
		part, err := m.NextPart()
		switch {
		case errors.Is(err, io.EOF) && name == "":
			return "", nil, refuse("no_file", nil)
		case errors.Is(err, io.EOF):
			return name, fields, nil
		case err != nil:
		case part.FormName() == field && name == "":
			name = cmp.Or(part.FileName(), field)
			var n int64
			if n, err = io.Copy(to, io.LimitReader(part, limit+1)); n > limit {
				err = &http.MaxBytesError{Limit: limit}
			}
		default:
			var text []byte
			text, err = io.ReadAll(io.LimitReader(part, 4*maxShort))
			fields.Set(part.FormName(), strings.TrimSpace(string(text)))
		}
		var big *http.MaxBytesError
		var full *os.PathError
		switch {
		case errors.As(err, &big):
			return "", nil, refuse("large_file", text.Values{"n": limit >> 20})
		case errors.As(err, &full):
			return "", nil, refuse("full", nil)
		case err != nil:
			return "", nil, refuse("broken", nil)
		}
	}
	return "", nil, refuse("form", nil)
}

// waitForBytes is how long an upload may stand still.
const waitForBytes = 30 * time.Second

// patient lets an upload go on while bytes arrive.
type patient struct {
	io.ReadCloser
	rc    *http.ResponseController
	until time.Time
}

// Read waits for the next bytes for a bounded time.
func (p *patient) Read(b []byte) (int, error) {
	next := time.Now().Add(waitForBytes)
	if next.After(p.until) {
		next = p.until
	}
	_ = p.rc.SetReadDeadline(next) // not every writer has deadlines
	return p.ReadCloser.Read(b)
}

// spool keeps the file of an upload in the upload folder until it is removed, where there is
// room for it and the copies made of it.
func (s *Server) spool(w http.ResponseWriter, r *http.Request, field string, limit, copies int64) (file, name string, fields url.Values, err error) {
	if err := s.room(r.ContentLength, copies); err != nil {
		return "", "", nil, err
	}
	f, err := os.CreateTemp(s.opt.UploadDir, "tidemark-upload-*")
	if err != nil {
		return "", "", nil, fmt.Errorf("no place for an upload: %w", err)
	}
	name, fields, err = receive(w, r, field, limit, f)
	if err = errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(f.Name())
		return "", "", nil, err
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowTime)) // checking takes time too
	return f.Name(), name, fields, nil
}

// spareBytes stay free on the disk beside an upload.
const spareBytes = 16 << 20

// room refuses an upload that the disk cannot hold, with the copies made of it.
func (s *Server) room(size, copies int64) error {
	var st syscall.Statfs_t
	if size <= 0 || syscall.Statfs(s.opt.UploadDir, &st) != nil {
		return nil // it will be seen while writing
	}
	free, need := int64(st.Bavail)*int64(st.Bsize), size*copies+spareBytes //nolint:unconvert // 32 bits on ARM
	if free < need {
		return refuse("no_room", text.Values{"free": free >> 20, "need": need >> 20})
	}
	return nil
}
