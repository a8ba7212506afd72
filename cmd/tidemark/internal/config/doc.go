// Package config reads tidemark's YAML configuration and refuses what it does
// not understand.
//
// Units are part of the key: _mm are millimetres, _c degrees Celsius, _percent
// percent of the start volume; durations are Go durations such as 30m. Every
// problem names the file, line, column and key, what was expected, what was
// found and what to do; all problems of a file are reported at once.
//
// The package checks form and ranges. It opens no sensor and no channel: the
// packages that own those say what they accept.
package config
