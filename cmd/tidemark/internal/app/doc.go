// Package app wires the parts of tidemark together.
//
// An App has, for each vessel, a mutex, a bake.Session that folds what is measured and
// told into a State, an alert.Evaluator that folds the States into alarms, and a mark of
// how far the history has the journal. New checks and builds, Start resumes what was under
// way and begins to watch, Stop ends. Observe takes a sample in, Do an event, Advance
// moves all vessels to now; undo, corrected times, a changed shape, a clock that was set
// and a restart fold the journal again, beside the watch in a live one. The live daemon,
// the demo and replay use the same App and differ in who feeds it and in the Clock.
//
// The package holds no estimation and no rule of the trade, the alarms or the plan, no
// words and no formats. What it decides is when: how often sensors are read, what is
// kept how often, which clock is believed.
package app
