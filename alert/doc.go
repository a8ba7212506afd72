// Package alert decides what to tell the household, when, and makes sure it
// arrives.
//
// Rules are pure functions of the State of a vessel and the time; the Evaluator folds
// what they find, with hold times and hysteresis, into changes of alarms. The Manager
// keeps the life of each alarm: firing, acknowledged, snoozed, resolved, with
// escalation and quiet hours, and delivers notifications through channels at least once,
// with back-off, expiry and a late stamp; one queue a route. It holds what is open in
// memory; a Store has all of it before it is told, for the next start.
// All words are those of package text.
//
// Units: temperature in degrees Celsius, rise in percent of the start volume
// (0 at the start, 100 doubled), rates in degrees Celsius a minute, ratios 0..1.
// Times are given as arguments; the Evaluator has no clock and does no I/O.
//
// Invariants: the ID of an alarm is stable, made of letters, digits, "-" and "_", at
// most 64 long; the same inputs folded again come to the same ID, and what is stored
// under it is not told again. An alarm bound to a rise is raised at most once in that
// rise; one bound to a fault once an episode, and again only after a real recovery
// held for some minutes. A notification is stored with its alarm, in one transaction,
// before the first attempt to deliver it; an attempt changes its state, never its
// times. No secret enters a notification, an error or an answer.
//
// Sources: the limits are kitchen rules (common practice, no source) unless a comment
// names one; when a dough is over is the account of packages bake and planner.
//
// The package does not measure, estimate or plan, and it is not a safety device: the
// oven rule is a help for the absent-minded, not a protection.
package alert
