// Package app wires the parts of tidemark together: sensors to estimators to
// the process to alarms, with history, outbox and page looking on.
//
// App is the one wiring type: New checks and builds, Start begins to watch,
// Stop flushes and ends. The live daemon, the demo and replay use the same App;
// they differ in the Driver that feeds it and in the Clock.
//
// The package holds no estimation, no rules and no formats of its own.
package app
