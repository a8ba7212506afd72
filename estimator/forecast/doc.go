// Package forecast fits a growth curve to one rise, online, and says when a
// level is reached, how sure that is, and whether it ever will be.
//
// Units: times since the start of the rise, volumes in litres, rise in percent
// of the start volume, temperatures in degrees Celsius, rates in percent per
// equivalent hour. The package is pure: no clock, no I/O, no chance. The same
// record gives the same answer. Memory is constant, a reading costs O(1) and
// allocates nothing; [Fit.Refit] is the costly part. What it works on lies on a
// bench that the fits of one [Workshop] share: at rest ([Fit.Rest]) a fit holds the
// record, the best curve of each shape and six numbers a draw, about 35 kB.
//
// # The model
//
// Equivalent time is clock time sped up or slowed down by the temperature:
//
//	theta(t) = integral of k(T)/k(24 C) dt
//
// under two published responses at once (package kinetics), mixed as
// theta = (1-w) theta1 + w theta2 with w in 0..1 a parameter of the fit. In
// equivalent time the volume follows
//
//	V = V0 (1 + (g(theta) - g(0))/100),  g(theta) = A S(mu theta/A - L)
//
// with ceiling A, steepest rate mu, and lag L as a share of A/mu. S is one of
// eleven shapes, all fitted and averaged by their evidence: Gompertz, Richards
// with nu 0.5, 1, 2 and 4 (Zwietering and others 1990), and ramps that wake fast
// or slowly and end by leaking, bending or at once (our own: dough rich in yeast
// does not multiply it, so its rise is straight). A ramp counts 0.4 of a sigmoid
// before the record. The greater nu, the longer growth feeds on itself before it
// ends: without nu 4 a culture that multiplies is told half an hour
// late two hours ahead. Averaging matters more than any one shape: a wrong one says never, or
// twenty minutes early, with residuals below 1 %.
//
// The belief in the lag is one for all shapes, as the lag of the Gompertz curve
// that reaches a tenth of its ceiling at the same time.
//
// A record differs from any curve by white noise, found from its second
// differences; by a smooth wander (Matérn 3/2, 1.5 h) whose size is found from
// the evidence; after each disturbance by a jump that stays and a dent that
// heals; after each pause of minutes in the first half in which something else
// than dough was seen by a dent alone, for a fold nobody told; and at the start by
// a misfit that dies away within the hour.
// Start volume and level are the curve's plus the deviation there. A Kalman filter
// whitens residuals and derivatives (generalised least squares in O(bins));
// Levenberg-Marquardt finds the most probable parameters of each shape; Laplace
// gives evidence and a proposal; evenly spaced draws from it are weighed by the
// true posterior. Each draw carries its own curve, deviation, start volume and
// course of temperature: all answers are weighted quantiles over them.
//
// The temperature to come: dough relaxes toward the air (rate learnt from the
// record, 0.5/h before), a present trend dies away in 1.5 h, the doubt grows to
// 1.6 C; in a refrigerator it follows a measured cooling curve toward 4 C.
//
// # Priors
//
// See [DefaultPrior] and [Prior.Learn]. Below about 30 % of rise the record hardly
// knows its ceiling (the Cramér-Rao bound on the doubling time is over an hour at
// 1 % noise): a narrower interval there comes from the prior.
//
// # Measured
//
// On 300 invented rises (BenchmarkAccuracy -rises 300; four process models that
// are not these curves, but for a Gompertz among them), minutes of error of the
// doubling time, median and 90th percentile, so many minutes before it:
//
//	                       180           120           60           30           15
//	this forecast          25.6 / 90     15.4 / 51     5.1 / 19     2.7 / 14     1.6 / 14
//	straight line, best    87 / 600      39 / 243      12.1 / 82    5.1 / 29     3.3 / 29
//	plain Gompertz         600 / 600     92 / 600      22.5 / 600   10.5 / 59    7.0 / 40
//	Cramér-Rao bound       81 / 600      18.5 / 421    3.6 / 34     1.6 / 13     1.1 / 9
//	80 % interval covers   84 %          82 %          83 %         83 %         84 %
//	within 5 min, ours     14 %          25 %          49 %         67 %         77 %
//	within 5 min, bound    14 %          28 %          57 %         74 %         81 %
//
// and on 3,000 others (-rises 3000 -seedbase 7):
//
//	this forecast          26.5 / 88     13.1 / 48     4.5 / 18     2.1 / 11     1.6 / 9
//	straight line, best    76 / 600      31 / 265      9.0 / 40     4.5 / 29     3.0 / 20
//	Cramér-Rao bound       63 / 600      14.8 / 325    3.1 / 25     1.5 / 11     1.1 / 7
//	80 % interval covers   84 %          83 %          84 %         87 %         86 %
//	within 5 min, ours     11 %          22 %          54 %         74 %         80 %
//	within 5 min, bound    14 %          30 %          61 %         78 %         84 %
//
// (600 stands for no answer.) The bound knows the process but not its three
// parameters, the start volume and what each fold took; the priors beat it early.
// From an hour before on, the line is 1.9 to 2.4 times as far off as the forecast and
// 2.7 to 3.4 times as far as the bound: three times better than the line is nearly
// what the bound allows. A warning half an hour ahead can hardly come within 5
// minutes of its time more often than the 74 to 78 % of the bound.
//
// # Where it is known to be wrong
//
//   - The ceiling is taken as the same at every temperature. Gause (1932) shows it
//     moves; a rise that crosses from warm to cold may end elsewhere than told.
//   - Nothing is known of gas loss by overproofing before it shows. A fall from
//     the peak ends the fit; it is not predicted.
//   - A dough that runs straight and then stops dead (sugar spent) cannot be told
//     from one that goes on: the chance of reaching a mark is then too high.
//   - Above 28 C the two responses disagree in sign, below 8 C by a factor: the
//     mix learns only from a record that crosses temperatures.
//   - A wander that fits the past is no promise: a change of process (sugar,
//     acid, a second feeding) is not foreseen.
//   - The shapes bend the start to fit the rest by some tenths of a percent; a
//     doubt of 0.15 % of the start volume stands for it.
//   - Times are forecast given that the mark is reached; [Crossing.Chance] says how
//     likely that is.
package forecast
