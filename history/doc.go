// Package history keeps what was watched: rises, their samples, what people did,
// the alarms and messages under way, the household's settings. It looks on; it
// decides nothing about dough.
//
// Storage is one SQLite file in write-ahead mode (https://www.sqlite.org/wal.html)
// with one writer and a small pool of readers. Every commit waits for the disk
// (synchronous=FULL). Events, alarms, notifications, rises and settings are stored
// before the call returns. Samples and forecasts are collected in memory and written
// in one transaction 5, 10, 20 and 40 s after the start and then once a minute: a kill
// or a power cut loses at most the last minute of samples, never a rise, an event or
// an alarm.
//
// The journal is samples (Row) and events (Event) in order of time. A rise is what a
// fold over it comes to; the line of a rise is a summary for lists and comparison.
//
// A restore is checked, staged beside the file and swapped in at the next Open
// (StageRestore), or at once where no service runs (Restore). A file is ours only if
// everything in its schema is as this package makes it, whatever its name.
//
// Units: times are kept as whole milliseconds since 1970 in UTC; distances,
// temperatures, percents and hours of samples as whole thousandths (µm, m°C,
// 0.001 percentage points, 0.001 h), so a value read back differs from the one
// written by at most half a thousandth. A missing value is NaN in Go and NULL in
// the file. Volumes are litres, rates percent per hour.
//
// Invariants: a full, read-only or damaged disk never stops the watch. What
// cannot be written is held in memory, up to a bound, and written when the disk
// takes it again; Health says so meanwhile. A damaged, foreign, empty or newer file,
// or one that is gone though there are backups, is told: it is renamed (quarantine),
// never deleted, the newest sound backup takes its place, and what can still be read
// of it is copied over that.
//
// The package does not watch the disk's free space, does not talk to the
// network, and does not encrypt.
package history
