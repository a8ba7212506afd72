// Package forecast fits a growth curve to one rise, online, and says when a
// level is reached, how sure that is, and whether it ever will be.
//
// Units: times since the start of the rise, volumes in litres, rise in percent
// of the start volume, temperatures in degrees Celsius, rates in percent per
// equivalent hour. The package is pure: no clock, no I/O, no chance. The same
// record gives the same answer. Memory is constant, a reading costs O(1) and
// allocates nothing; [Fit.Refit] is the costly part.
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
// heals; and at the start by a misfit that dies away within the hour. Start
// volume and level are the curve's plus the deviation there. A Kalman filter
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
