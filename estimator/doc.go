// Package estimator turns samples of height and temperature into what a baker
// asks for: how far the rise is, how fast it goes, when it is ready, what it is
// doing, and how far all that can be trusted.
//
// It is pure: no I/O, no clock, time is an argument. One Estimator serves one
// vessel and one goroutine; its memory is constant. Observe takes in a sample in
// constant time without allocating. Estimate says what is known and moves the
// phase on; the forecast looks ahead anew with each bin of two minutes, every two minutes
// without one, and on news.
//
// # Units
//
// Heights and distances in mm, volumes in litres, temperatures in Celsius, rise
// in percent of the start volume (0 start, 100 doubled), rates in percent per
// hour. Inside, times are hours since the first sample; growth-hours are hours
// worth at 24 C. Missing numbers are NaN.
//
// # From a reading to a rise
//
// Level = FloorMM - distance - offset, volume = Profile(level), and
//
//	rise = 100 * (V/V0 - 1)
//
// so percent rise is of volume, never of height. V, V0 and their doubt come from the
// forecast (package forecast), whose filter tells dough from what sensor and surface
// do; a look by eye is an observation like any other. Where the level filter's rate
// contradicts the forecast's curves by three standard deviations, the filter's counts.
//
// # Which readings are believed
//
// Every distance passes, in this order: time order, the sensor's range, the
// vessel (floor, rim), the stuck test, and the gate. Each refusal has a reason
// and is counted.
//
//   - The gate compares with the filter's prediction: 4.5 standard deviations of
//     one reading, at least 2.5 mm; 3 after a gap. A prediction that grew vague
//     in a gap does not open it. When nothing was believed for ten minutes, the
//     forecast stands in for the filter.
//   - Refused readings that agree among themselves are a step. A drop after which
//     the level stays above the start is a fold, believed after 3 minutes (45
//     seconds if a fold was told): volume is lost, the rise goes on from there.
//     Other steps must last 15 minutes, longer than a lid is off, and are then
//     taken for a moved sensor or vessel: an offset is kept and the rise counted
//     on. A clean drop late in a rise, with no hands about, is a moved sensor
//     too. A step in the first ten minutes was a hand or a lid at the start: the
//     start level is taken anew. A step back undoes the last one. A reading that
//     the gate would let through, but that lies nearer to refused ones that
//     agree, is one of them: a step hardly wider than the gate is a step.
//   - What changed in a gap was not watched. A level higher than foreseen is
//     growth if it goes on growing like that, else a moved sensor. A lower one is
//     a collapse only if it is seen to go on falling: for 15 minutes, of a starter
//     for 4. Within what could be foreseen, dough was folded; a starter, which
//     nobody folds, may be past its peak.
//   - Steps too small for the gate are left to the forecast's filter, which allows
//     for a surface and a sensor that wander.
//   - Stuck is a run of identical readings whose chance is below 1 in 10,000
//     given the noise and the sensor's step. A coarse quiet sensor rests on one
//     value by nature and is not called stuck. What was believed of the run before
//     is taken back.
//   - At the start, after a told fold and after a move, three or more readings
//     over 20 seconds, two thirds of the last ones, must agree.
//
// # Filter
//
// The believed readings of half a minute are averaged, so that sampling at 1 s,
// 10 s and 60 s behaves alike, and handed to a Kalman filter for the level and
// its rate, an integrated random walk at uneven steps with an exact diffuse
// start (file filter.go gives the model and source). The noise of one reading
// and of one mean are both estimated from the data, clipped at three standard
// deviations. The walk's density lets the rate wander by 9 percent of the start
// level per hour in an hour: growth curves change faster at times, but steadily.
//
// The forecast (package forecast) gets the means. When nothing has been seen for some
// minutes the level is carried on by the forecast.
//
// # Phases
//
// Dough: settling (10 minutes), lag, rising (3 points of rise beyond doubt), near
// (the mark is as likely as not less than the lead away), ready (at the mark, by the
// level or by more than half of the forecast's curves, for a minute and a half), over (15 points
// or half a growth-hour past the mark, or no rise left), fallen (6 percent of
// the highest volume lost, 2 of them seen since the last gap, for 8 minutes). Starter: lag, rising, peak (rate
// under 12 percent of the best, or falling), falling (3 percent lost), hungry (a
// third of the rise lost, or 4 growth-hours after the peak). The limits are
// tuned on invented rises; those for hungry are common practice, no source.
// Every rule must hold for some minutes, and a phase goes back only where its
// reason says so.
//
// Exhausted: the rate at equal temperature was under 18 percent of the best for
// 20 minutes and the forecast's upper quantile leaves under 8 points. It needs
// no target, so a mark set too high does not hide the end. LevelsOffShort: the
// chance of the mark is under 0.12 for 20 minutes after 2 growth-hours, or
// hardly anything rose in 6. Neither is said in the cold, in a gap, soon after a
// fold, or while readings rest on one value for longer than usual.
//
// # Where it is wrong
//
//   - A film or drop on the sensor's window that grows slowly looks like growth.
//     Nothing in the readings tells them apart.
//   - A sensor that drifts with its own temperature (10 to 25 mm over a move into
//     a fridge are possible) shifts the level in the cold; only jumps are found.
//   - Gas shrinks by 7 percent from 25 to 5 C and more of it dissolves: dough in
//     the fridge looks lower than the yeast's work. The rise shown is the volume.
//   - A dome is read as a higher level but for what the forecast's filter allows it.
//   - A fold and a sensor moved away look alike when nobody told and no hand was
//     seen; the place in the rise decides, and may decide wrongly.
//   - Dough that was rising before the watch began has a start level that means
//     nothing; so has one first seen long after its start.
//   - A lid laid on for good at a level dough could have is taken for a moved
//     sensor after 15 minutes.
//   - A sensor that is moved while nothing is seen, by less than the dough may
//     have grown or by as much as it may have fallen, is not found out.
//   - A slow rise near its ceiling crosses the mark at a grazing angle: a point of
//     rise is then many minutes, for any method.
//   - Above the profile's top the walls are taken to go straight on (noted).
//
// # Measured
//
// On simulated rises by another maker: go test -run xxx -bench Rises
// ./cmd/tidemark/internal/replay, or .ci/bench FOLDER for more of them. On invented
// rises of this project's own, with faults: -bench Warnings -benchtime 1x
// ./estimator -rises 1000.
package estimator
