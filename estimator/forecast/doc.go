// Package forecast fits a growth curve to one rise and says when a level is
// reached, how sure that is, and whether it ever will be.
//
// It is pure: no clock, no I/O, no random numbers from outside. Times are since
// the start of the rise, volumes in litres, rise in percent of the start volume,
// temperatures in degrees Celsius.
package forecast
