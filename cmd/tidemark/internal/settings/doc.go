// Package settings changes single values of tidemark.yaml for people who do not
// edit it by hand.
//
// Edit works on text: it finds the place of a value in the parsed tree and
// replaces nothing else, so that comments, order and spacing of the rest stay as
// they are byte for byte. What it wrote is read back and compared with what was
// meant; a file whose style it cannot serve is refused with the advice to edit it
// by hand. File writes: only what the loader of a start accepts, only over the
// text that the asker saw, in one step that a power cut leaves undone or done, and
// with a copy of the text before. The file stays the truth: nothing is kept in
// memory between two calls.
//
// Units are those of package config. Paths are written as in its messages, such
// as vessels[0].lead; the index + appends to a list.
//
// The package asks nobody for permission: who may call it is decided by the
// caller. What may be set from outside the file is the table of keys, and Typed is the
// only way.
package settings
