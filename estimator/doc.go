// Package estimator turns samples of height and temperature into what a baker
// asks for: how far the rise is, how fast it goes, when it is ready, what it
// is doing and how far that can be trusted.
//
// It is pure: no I/O, no clock, time is an argument. One Estimator per vessel,
// used by one goroutine; its memory is constant.
package estimator
