// Package virtual is a kitchen of our own invention: vessels with dough and
// starter that ferment, a room whose air warms and cools, people who fold, open
// windows and lift lids, and sensors with the faults that real ones have. It
// serves the demo and tests that need no hardware.
//
// Nothing in it was measured. Its process model is made for plausibility and is
// on purpose another one than the estimator fits: food that runs out, growth
// and gas that follow temperature, a dough that holds less gas as it ripens.
//
// Units: temperatures in Celsius, heights and distances in mm, volumes in
// litres, rates per hour. Times are those the caller gives; the package has no
// clock of its own.
//
// Invariants: the same scenario, seed and moments give the same readings in
// whatever order the sources are read. Time never runs back: an earlier moment
// is served from the latest state.
package virtual
