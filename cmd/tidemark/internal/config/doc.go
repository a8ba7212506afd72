// Package config reads tidemark's YAML configuration, refuses what it does not
// understand, and changes single values of it for people who do not edit it by hand.
//
// Units are part of the key: _mm are millimetres, _c degrees Celsius, _percent
// percent of the start volume; durations are Go durations such as 30m. Every
// problem names the file, line, column and key, what was expected, what was
// found and what to do, in the words of the catalogue; all problems of a file are
// reported at once. The package checks form and ranges. It opens no sensor and no
// channel: the packages that own those say what they accept.
//
// The structs that the loader fills are the one table of keys: their tag set says what
// may be set from outside the file, and Typed is the only way to do so. The edit works on
// text: it finds the place of a value in the parsed tree and replaces nothing else, so
// that comments, order and spacing of the rest stay as they are byte for byte. What it
// wrote is read back and compared with what was meant; a file whose style it cannot
// serve is refused with the advice to edit it by hand. File writes: only what the loader
// of a start accepts, only over the text that the asker saw, in one step that a power
// cut leaves undone or done, and with a copy of the text before. The file stays the
// truth: nothing is kept in memory between two calls. Who may call is decided by the
// caller.
//
// Paths are written as in the messages, such as vessels[0].lead; the index + appends to
// a list.
package config
