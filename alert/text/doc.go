// Package text holds every sentence tidemark says, one file a language, and puts
// values into them the way a household reads them.
//
// A language is a file LANG.txt of lines "key = sentence"; a sentence may hold
// {placeholders}; lines that start with # are comments. A new language is a new file
// with the same keys and placeholders; a test compares them. Whoever has something
// to say (estimator, bake, alert) returns a key and values; page, messages and
// command line ask a Localizer for the words. No other package formats a unit, a
// number or a time of day for people.
//
// A value is formatted by its Go type, and a number by the last part of its
// placeholder's name, the unit it is given in; see Localizer.Value.
//
// Units: temperatures come in degrees Celsius, masses in grams, volumes in litres;
// percent is 0 at the start of a rise and 100 when doubled. They are shown in the
// locale's unit, zone and clock.
//
// Invariants: a Localizer never fails: a key that is missing in its language is
// taken from English, and one that is missing there too is shown as its name; what
// is not known (NaN, a zero time) reads as unknown and never as a number.
//
// The package does not decide what to say.
package text
