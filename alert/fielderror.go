package alert

import "fmt"

// FieldError says what is wrong with one key of a configuration.
type FieldError struct {
	Field string // the key as written in the file; empty for the whole mapping
	Msg   string // what was found, what was expected, what to do
}

// Error returns the field and the message.
func (e *FieldError) Error() string {
	if e.Field == "" {
		return e.Msg
	}
	return e.Field + ": " + e.Msg
}

// fieldErrorf builds a FieldError.
func fieldErrorf(field, format string, args ...any) *FieldError {
	return &FieldError{Field: field, Msg: fmt.Sprintf(format, args...)}
}
