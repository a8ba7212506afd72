// Package channel holds the ways a message leaves the house: a topic server, a
// webhook, mail, MQTT for home automation and a local command; and the
// heartbeat that lets somebody else watch the watcher.
//
// Units: sizes in bytes, times as time.Duration.
//
// Invariants: Deliver returns soon after its context ends; no answer, error or
// log line holds a token, password, key or topic; answers are one line and at
// most 200 characters; redirects are never followed. A refusal that will not
// change is a final *alert.Failure, everything else may be tried again.
//
// Sources: the JSON publish form and the PUT of attachments follow the published
// documentation of ntfy; discovery follows the MQTT integration documentation
// of Home Assistant; statuses follow RFC 9110, SMTP replies RFC 5321.
//
// The package does not store, retry or word anything.
package channel
