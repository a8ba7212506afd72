// Package remote reads a quantity from the messages of an MQTT topic, for a
// sensor node in the fridge or in another room.
//
// Units: the value is turned into the unit of its quantity (mm, Celsius, ratio
// 0..1) from the unit that the topic is said to carry.
//
// Source: MQTT version 5, OASIS standard of 7 March 2019.
//
// All sources with the same login to the same broker share one connection, which a
// Hub keeps: it begins when the first of them is read, is made anew when it is
// lost, and ends when the last of them is closed.
//
// Invariants: a message counts once, at the moment of its arrival; a retained
// message, whose age nobody knows, is never taken; when nothing arrives for the
// stated time the reading is Stale. A source keeps the newest message only, so one
// that nobody reads holds up none. A broker that is away or refuses us is told to
// every source at once, a topic that it refuses to those of that topic alone. A topic
// that makes it close the connection, or that the library does not ask for, is found by
// asking for fewer and fewer at once; it is told by name to its own sources, and from
// then on such topics are tried one at a time, minutes apart, so that the others live.
// The password is read from its file at each start of a connection and appears in no
// error.
package remote
