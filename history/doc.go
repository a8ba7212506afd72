// Package history keeps what was watched: rises, their samples, what people did,
// the alarms and messages under way, the household's settings. It looks on; it
// decides nothing about dough.
//
// Storage is one SQLite file in write-ahead mode (https://www.sqlite.org/wal.html).
// There is one writer at a time and a small pool of readers. Every commit waits for
// the disk (synchronous=FULL). Samples are collected in memory and written once a
// minute, or at once when something happened, to a file of their own beside it, the
// tail, which waits for the disk too: a power cut loses at most the last minute,
// never a rise, an act or an alarm. What somebody did is stored in one commit with all
// that it changed (Deed), but for the start of a rise: the rise, its steps and the act
// are three commits. The samples of a rise that has ended are in the file and wait with
// the others all the same; written again they change nothing.
//
// The tail assumes that the disk keeps a sector of 512 bytes that it confirmed while
// it writes others. It does not assume that a sector is written whole: every record
// has a checksum, and one that was torn or garbled is left out, the others are read.
// Sectors of a generation are written once. Where a file system writes only through
// its page cache, the page with the records before is written again with the same
// bytes: a disk that loses such a page whole may lose eight minutes of samples.
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
