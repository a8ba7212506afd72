// Package texts holds every sentence the alerts speak, one file per language,
// and puts values into them the way the household reads them.
//
// A language is a file LANG.txt of lines "key = sentence"; a sentence may hold
// {placeholders}; lines that start with # are comments. A new language is a new
// file with the same keys and placeholders; a test compares them.
//
// Units: values come in degrees Celsius, percent and time; they are shown in
// the household's unit, zone and clock. Percent is 0 at the start of a rise and
// 100 when doubled.
//
// Invariants: a Speaker never fails: a key that is missing in its language is
// taken from English, and one that is missing there too is shown as its name.
//
// The package does not decide what to say.
package texts
