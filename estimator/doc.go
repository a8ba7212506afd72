// Package estimator turns samples of height and temperature into what a baker asks
// for: how far the rise is, how fast it goes, when it is ready, what it is doing, and
// how far all that can be trusted.
//
// It is pure: no I/O, no clock, time is an argument. One Estimator serves one vessel
// and one goroutine; its memory is constant. Observe takes in a sample in constant
// time without allocating. Estimate says what is known and moves the phase on. It
// returns keys and numbers, never sentences.
//
// # Units
//
// Heights and distances in mm, volumes in litres, temperatures in Celsius, rise in
// percent of the start volume (0 start, 100 doubled), rates in percent per hour.
// Inside, times are hours since the first sample; growth-hours are hours worth at
// 24 C. Missing numbers are NaN.
//
// # From a reading to a rise
//
//   - Gate (gate.go, level.go): a distance must be in order of time, in range, and near
//     what the level filter expects. A run of one value that noise cannot explain is a
//     sensor that hangs; what was believed of it is taken back.
//   - Steps (steps.go): refused readings that agree among themselves are a jump of the
//     level. How long they must agree, and how likely it was a moved sensor rather
//     than a fold, depends on what was told, on hands that were seen and on the place
//     in the rise; the forecast weighs both until the data or a look decide. What
//     changed in a gap was not watched and is told apart by how it goes on.
//   - Filter (filter.go): means of half a minute, so that sampling at 1, 10 and 60 s
//     behaves alike, go into a Kalman filter for level and rate and into the forecast.
//   - Forecast (package forecast): tells dough from what sensor and surface do, and
//     gives volume, rise, rate and their doubt. Where the filter's rate contradicts it,
//     the filter's counts.
//   - Phases (phase.go): rules that must be true for some minutes.
//
// What was chosen, and on what, is in constants.go.
//
// # Where it is wrong
//
//   - A film or drop on the sensor's window that grows slowly looks like growth.
//   - A sensor that drifts with its own temperature (10 to 25 mm over a move into a
//     fridge are possible) shifts the level in the cold; only jumps are found.
//   - Gas shrinks by 7 percent from 25 to 5 C and more of it dissolves: dough in the
//     fridge looks lower than the yeast's work. The rise shown is the volume.
//   - A fold and a sensor moved away look alike when nobody told and no hand was seen.
//   - Dough that was rising before the watch began has a start level that means
//     nothing; so has one first seen long after its start.
//   - A lid laid on for good at a level dough could have is taken for a moved sensor.
//   - A sensor moved while nothing is seen, by no more than the dough may have moved,
//     is not found out.
//   - A quiet sensor that went to and fro between two of its steps and then rests on
//     one may be taken for one that hangs.
//   - Above the profile's top the walls are taken to go straight on.
//
// # Measured
//
// On simulated rises by another maker: go test -run xxx -bench Rises
// ./cmd/tidemark/internal/replay, or .ci/bench FOLDER for more of them. On invented
// rises of this project's own, with faults: -bench Warnings -benchtime 1x
// ./estimator -rises 1000.
package estimator
