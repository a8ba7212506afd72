// Package sensortest has sensor chips and lines at the level of registers, bits and
// edges, for tests. Each can be told to fail in the ways that real ones do, and
// keeps what was written to it.
//
// The chips follow their datasheets only as far as the drivers in use need it.
// They take time from package time, so that tests can run in a bubble of
// testing/synctest. They are no hardware: that a test with them passes proves the
// program's logic, not the wiring.
package sensortest

import "errors"

// errNak is what a bus reports when nobody answers.
var errNak = errors.New("remote I/O error")
