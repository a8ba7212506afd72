// Package forecast says, online and for one rise, how far it has come, when a level
// is reached, how sure that is, and whether it ever will be.
//
// Units: times in hours since the start of the rise, levels in mm over the vessel's
// floor, volumes in start volumes, rise in percent of the start volume, temperatures
// in degrees Celsius. The package is pure: no clock, no I/O, and its chance is drawn
// from a fixed seed, so that the same record gives the same answer however often it
// is asked. Memory is bounded (320 bins of two minutes, 200 members).
//
// # The model
//
// Equivalent time is clock time sped up or slowed down by the temperature, under two
// published responses at once (package kinetics), mixed by a parameter. In equivalent
// time a curve of growth (see [Fit]) wakes logistically, makes gas that first
// dissolves, feeds on sugar and on starch, slows with its acid, and is held by walls
// that give way near a limit and wear from then on.
//
// A level read is that volume, and all that is no growth: the start volume, the
// floor's distance, slow drift of the sensor, its warm-up, a coefficient on the
// air's temperature, a dome, a ball that spreads, loss in folds, the uneven surface
// after them, a sensor that was moved. These are states of one Kalman filter. How
// they show is taken from a prediction by earlier bins, so that gains and covariance
// are the same for all curves and are computed once a bin; they are integrated out
// of the weights.
//
// 200 curves, spread evenly over the belief at the start, are weighed by their
// innovations (clipped at 4 standard deviations). When fewer than 70 % of them count
// they are resampled and moved by differences between them; chance begins anew at
// each bin, so that a record folded again comes to nearly the same curves. A step that
// may have been a fold or a moved sensor splits the story in two branches until the
// data decide. After three bins that all curves miss to one side the dough is
// believed, whatever it does.
//
// Answers are weighted quantiles over the members; each carries its own error now,
// its own speed to come and its own course of the kitchen's temperature.
//
// # Priors and constants
//
// See [DefaultPrior], [Prior.Learn] and constants.go. Sizes of what sensors and
// surfaces do are judgement, not from a source. Two hours ahead and more the prior of
// growth decides; see the benchmark of package replay for what was measured.
//
// # What it does not do
//
// It does not judge single readings (package estimator does, before), and knows no
// phase, alarm or step.
package forecast
