// Package sensortest has sensor chips and lines at the level of registers, bits and
// edges, for tests. Each can be told to fail in the ways that real ones do, and
// keeps what was written to it.
//
// The chips follow their datasheets only as far as the drivers in use need it.
// They take time from package time, so that tests can run in a bubble of
// testing/synctest. They are no hardware: that a test with them passes proves the
// program's logic, not the wiring.
package sensortest

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// ErrNak is what a bus reports when nobody answers.
var ErrNak = errors.New("remote I/O error")

// Put writes a file below root with its folders, as the kernel shows one.
func Put(t testing.TB, root, path, text string) {
	t.Helper()
	full := filepath.Join(root, path)
	if err := errors.Join(os.MkdirAll(filepath.Dir(full), 0o755), os.WriteFile(full, []byte(text), 0o644)); err != nil {
		t.Fatal(err)
	}
}
