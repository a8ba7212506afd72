// Package deploy holds what puts tidemark onto a machine: unit, package, image,
// rules and dashboard. There is no code in it but the tests that hold these
// files against each other and against the program's metrics page.
package deploy
