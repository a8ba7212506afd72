// Package bake knows the bread around the rise: the batch in baker's
// percentages, the water for a wanted dough temperature, the starter's care,
// the step list from feeding to slicing, the plan back from a wanted time, and
// what past rises teach.
//
// Units: mass in grams unless a name ends in Kg, volume in litres (L),
// temperature in degrees Celsius (C), rise in percent of the starting volume
// (0 = start, 100 = doubled), rates in percent per hour, chances as ratios
// 0..1. Hours named "equivalent" are hours at 24 C.
//
// Sources stand beside each number. A fact of the trade without one is marked
// "common practice, no source"; a value not looked up says "from memory".
//
// Invariants: every function is pure. There is no I/O and no clock: the time
// is an argument. A Window or a Spread is ordered (From <= Median <= Until). A
// step that was done or skipped is never moved by a later forecast.
//
// Where to look: batch.go, ingredients.go and kind.go are the dough. stage.go is the table
// of the steps, process.go what happened to them, layout.go the timetable, bread.go what is
// measured after the bulk. session.go with journal.go, check.go, fold.go and replan.go folds
// the journal of a vessel into the State of state.go; status.go and advice.go say what is to
// be done. starter.go and vigour.go are the starter's; rate.go and fridge.go are what is
// usual, learn.go what past rises teach; times.go reads times off a forecast.
//
// What it does not do: it does not read sensors, does not estimate the rise
// (package estimator does), does not send anything, and is no safety device.
// It never calls a dough, a starter or a loaf safe to eat.
package bake
