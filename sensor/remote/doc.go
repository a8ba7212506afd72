// Package remote reads a quantity from the messages of an MQTT topic, for a
// sensor node in the fridge or in another room.
//
// Units: the value is turned into the unit of its quantity (mm, Celsius, ratio
// 0..1) from the unit that the topic is said to carry.
//
// Source: MQTT version 5, OASIS standard of 7 March 2019.
//
// Invariants: a message counts once, at the moment of its arrival; a retained
// message, whose age nobody knows, is never taken; when nothing arrives for the
// stated time the reading is Stale. The password is read from its file at each
// start and appears in no error.
package remote
