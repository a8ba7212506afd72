package bake

import "errors"

// words says sentences in English, with plain spaces. TestMain sets it, outside of the
// package because the catalogue imports it.
var words func(list ...Said) string

// SayWith sets words.
func SayWith(say func(list ...Said) string) { words = say }

// inWords is what an error says of which field, in English.
func inWords(err error) string {
	var field FieldError
	if !errors.As(err, &field) {
		return ""
	}
	return field.Field + ": " + words(field.Said)
}
