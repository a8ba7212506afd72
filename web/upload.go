package web

import (
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
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

// upload is a form with one file.
type upload struct {
	field string // of the file
	limit int64  // of the file, bytes
}

// maxFields bounds the other fields of a form with a file.
const maxFields = 16

// read copies the file of a form to a place and returns the other fields. The
// client may take its time as long as bytes arrive, up to slowTime.
func (u upload) read(w http.ResponseWriter, r *http.Request, to io.Writer) (fields map[string]string, name string, err error) {
	r.Body = http.MaxBytesReader(w, r.Body, u.limit+64<<10)
	r.Body = &patient{ReadCloser: r.Body, rc: http.NewResponseController(w), until: time.Now().Add(slowTime)}
	m, err := r.MultipartReader()
	if err != nil {
		return nil, "", refuse("form", nil)
	}
	fields = map[string]string{}
	for range maxFields {
		part, err := m.NextPart()
		if errors.Is(err, io.EOF) {
			if name == "" {
				return nil, "", refuse("no_file", nil)
			}
			return fields, name, nil
		}
		if err != nil {
			return nil, "", u.broken(err)
		}
		if part.FormName() == u.field && name == "" {
			if name, err = u.file(part, to); err != nil {
				return nil, "", err
			}
			continue
		}
		text, err := io.ReadAll(io.LimitReader(part, 4*maxShort))
		if err != nil {
			return nil, "", u.broken(err)
		}
		fields[part.FormName()] = strings.TrimSpace(string(text))
	}
	return nil, "", refuse("form", nil)
}

// file copies the file itself.
func (u upload) file(part *multipart.Part, to io.Writer) (string, error) {
	n, err := io.Copy(to, io.LimitReader(part, u.limit+1))
	var full *os.PathError
	switch {
	case errors.As(err, &full):
		return "", refuse("full", nil)
	case err != nil:
		return "", u.broken(err)
	case n > u.limit:
		return "", u.broken(&http.MaxBytesError{Limit: u.limit})
	}
	name := part.FileName()
	if name == "" {
		name = u.field
	}
	return name, nil
}

// broken words an upload that did not fit or broke off.
func (u upload) broken(err error) error {
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		return refuse("large_file", text.Values{"n": u.limit >> 20})
	}
	return refuse("broken", nil)
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

// spool keeps the file of an upload in the upload folder until it is removed.
func (s *Server) spool(w http.ResponseWriter, r *http.Request, u upload, copies int64) (file, name string, fields map[string]string, err error) {
	if err := s.room(r.ContentLength, copies); err != nil {
		return "", "", nil, err
	}
	f, err := os.CreateTemp(s.opt.UploadDir, "tidemark-upload-*")
	if err != nil {
		return "", "", nil, fmt.Errorf("no place for an upload: %w", err)
	}
	fields, name, err = u.read(w, r, f)
	err = errors.Join(err, f.Close())
	if err != nil {
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
