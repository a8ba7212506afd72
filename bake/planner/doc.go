// Package planner plans a bake back from the time the bread is wanted, and says
// side by side what each way risks.
//
// Units: temperatures in degrees Celsius, rise in percent of the start volume,
// durations in hours inside, chances as ratios 0..1. "Equivalent" hours are
// hours at 24 C.
//
// It works with an ensemble of possible doughs drawn from the prior of package
// forecast (the household's own, or the published one), each with its own
// ceiling, speed, lag, temperature response and room. Every figure is read off
// that ensemble. The draws are fixed: the same request gives the same plan.
//
// What is "right": a total rise, carry-over in the cold included, of 80 to
// 125 % of the wanted one. These bounds are this project's choice. The rise is
// counted as if the dough were left alone: shaping presses out gas, but what
// the yeast has done stays done.
//
// Invariants: pure, no clock (Request.Now is the time); windows are ordered;
// chances lie in 0..1.
//
// What it does not do: it does not watch the rise; it knows nothing of gluten,
// acid or the taste of a long retard.
package planner
