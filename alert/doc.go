// Package alert decides what to tell the household, when, and makes sure it
// arrives.
//
// It has three parts, each usable alone. Watch holds the rules: pure functions
// of the estimate, the timetable and the time, with hold times and hysteresis.
// Manager keeps the life of each alarm: firing, acknowledged, snoozed, resolved,
// with escalation, quiet hours and grouping. Outbox delivers notifications from a
// Store to channels at least once, with back-off, expiry and a late stamp.
//
// Units: temperature in degrees Celsius, rise in percent of the start volume
// (0 at the start, 100 doubled), rates in degrees Celsius a minute, ratios 0..1.
// Times are given as arguments; Watch has no clock and does no I/O.
//
// Invariants: the ID of an alarm is stable, made of letters, digits, "-" and
// "_", at most 64 long. An alarm bound to a rise is raised at most once in that
// rise. One bound to a fault is raised once an episode and again only after a
// real recovery held for some minutes. A notification is written to the Store before
// the first attempt to deliver it. No secret enters a Notification, an error or an
// answer.
//
// Sources: the limits are kitchen rules (common practice, no source) unless a
// comment names one.
//
// The package does not measure, estimate or plan, and it is not a safety
// device: the oven rule is a help for the absent-minded, not a protection.
package alert
