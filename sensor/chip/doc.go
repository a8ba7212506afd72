// Package chip reads sensor chips on I2C and 1-wire buses that this program
// drives itself: time-of-flight distance sensors, an air sensor and 1-wire
// thermometers. The drivers of the chips are kept libraries; this package wraps
// them so that a bus error is noticed, a hanging chip is given up, and a chip
// that went wrong is brought back.
//
// Units: distance in mm, temperature in Celsius, humidity as a ratio 0..1.
//
// Sources: VL53L1X datasheet DocID031281 and user manual UM2356 (identity
// EACC at 010F, status codes); VL6180X datasheet DocID026171 and AN4545
// (identity B4 at 000, error codes in bits 7 to 4 of register 04D); DS18B20
// datasheet; BME280 datasheet BST-BME280-DS002 (identity 60; the value 8000 of a
// skipped humidity measurement: from memory).
//
// Invariants: no value is given unless every transfer of it succeeded and the
// chip's own status says that it is good. After three faults in a row a chip is
// set up anew, over its shutdown or supply line if one is wired.
package chip
