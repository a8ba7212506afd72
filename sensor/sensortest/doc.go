// Package sensortest has what tests need of sensors in more than one package: a folder in
// the place of the kernel's files, and an MQTT broker. Each can be told to fail in the
// ways that real ones do. Doubles of chips and lines are beside the tests of package
// source; package virtual, below, is a whole kitchen.
package sensortest
