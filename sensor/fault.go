package sensor

import (
	"errors"
	"fmt"
)

// FaultError is a verdict on a reading that failed, on its way up from a
// driver.
type FaultError struct {
	Status Status
	Reason string // in words, for a person
}

func (e *FaultError) Error() string { return e.Reason }

// Faultf builds a *FaultError.
func Faultf(s Status, format string, args ...any) error {
	return &FaultError{s, fmt.Sprintf(format, args...)}
}

// Failed is the reading without a value for err: with the verdict of a
// *FaultError, else as ReadFailed.
func (r Reading) Failed(err error) Reading {
	var f *FaultError
	if errors.As(err, &f) {
		return r.Fault(f.Status, "%s", f.Reason)
	}
	return r.Fault(ReadFailed, "%v", err)
}
