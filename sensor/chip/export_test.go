package chip

import (
	"os"
	"time"
)

// ReadEdge reads one event, for tests.
func ReadEdge(f *os.File, deadline time.Time) (Edge, error) { return readEdge(f, deadline) }

// Drain empties a file, for tests.
func Drain(f *os.File) error { return drain(f) }
