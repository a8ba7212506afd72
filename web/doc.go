// Package web shows what is known: a page that answers in a sentence before it
// draws, an API with the same facts, and the look back at past rises.
//
// Units: rise in percent of the starting volume, temperature in degrees
// Celsius (shown in Fahrenheit if the household wishes), times in RFC 3339 on
// the API and in the household's zone on the page. An interval holds 8 in 10.
//
// Invariants: the package decides nothing about dough. It reads through the
// interface Live and the history, and hands every event that a person tells to Live.Do. The
// page works without scripts, without a build step and without the internet;
// no script or style stands inside a page, and no other host is asked.
//
// It does not keep readings, does not send messages, and is no safety device.
package web
