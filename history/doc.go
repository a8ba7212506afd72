// Package history keeps what was watched: rises, their samples, what people did,
// the alarms and messages under way, the household's settings. It looks on; it
// decides nothing about dough.
//
// Storage is one SQLite file in write-ahead mode (https://www.sqlite.org/wal.html).
// There is one writer at a time and a small pool of readers. Samples are
// collected in memory and written once a minute, or at once when something
// happened, without waiting for the disk to confirm (synchronous=NORMAL): a
// power cut loses at most the last minute, never the file. Everything a person
// did, alarms, messages and settings wait for the disk (synchronous=FULL).
//
// Units: times are kept as whole milliseconds since 1970 in UTC; distances,
// temperatures, percents and hours of samples as whole thousandths (µm, m°C,
// 0.001 percentage points, 0.001 h), so a value read back differs from the one
// written by at most half a thousandth. A missing value is NaN in Go and NULL in
// the file. Volumes are litres, rates percent per hour.
//
// Invariants: a full, read-only or damaged disk never stops the watch. What
// cannot be written is held in memory, up to a bound, and written when the disk
// takes it again; Health says so meanwhile. A damaged file is put aside under a
// new name, never deleted.
//
// The package does not watch the disk's free space, does not talk to the
// network, and does not encrypt.
package history
