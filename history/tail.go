package history

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"math"
	"os"
	"strconv"
	"time"

	"tidemark/estimator"
)

// The tail is a small file beside the database that holds the samples since the
// last commit. A commit of one minute's samples dirties about five pages of the
// database's log and of the log's index, 19 kB a minute on a card; the tail takes
// one sector. So every minute goes to the tail, and the database gets a few
// thousand samples at once, or those of a rise at its end.
//
// The file is written over and over from its beginning and never cut short, which
// spares the file system's own journal. It is a row of records, each from the
// beginning of a sector on: mark, length and CRC-32C of what follows (four bytes
// each, little endian), then the generation and the samples, then zeros up to the
// end of the sector. A commit notes the generation that it has taken in, in the same
// transaction; records of it and of earlier ones count no more. A record that would
// cross the end of a page begins on the next one. Files of earlier versions have
// records that follow each other without zeros; they are read as well.

// tailMark begins every record ("TDT1").
const tailMark = 0x31544454

const (
	tailHead   = 12   // bytes before what the CRC covers
	tailSector = 512  // what a disk writes at least
	tailPage   = 4096 // what the kernel's page cache writes at least
)

// When the samples of the tail go to the database: when there are so many, of so many
// for each vessel while these are few, and after a time. A commit writes a page or two of
// the database for every rise.
const (
	tailLeast = 2000
	tailEach  = 200
	tailSome  = 20000
	tailMany  = 60 // for each vessel, however many there are
	tailFor   = 6 * time.Hour
)

// tailRows is how many samples the tail takes for a number of vessels.
func tailRows(vessels int) int {
	return max(tailLeast, min(tailEach*vessels, tailSome), tailMany*vessels)
}

// tailKey is the line of meta with the last generation that the database holds.
const tailKey = "tail"

// tail is the open file; the store's wmu guards it.
type tail struct {
	file       *tailFile // nil: not open yet
	at         int64     // where the next record goes, a whole sector
	generation uint64    // of the records to come
	since      time.Time
}

// tailPath is the name of the file.
func (s *Store) tailPath() string { return s.path + "-tail" }

// keepTail writes the samples that are not on the disk yet to the tail; wmu is
// held.
func (s *Store) keepTail(ctx context.Context) error {
	rows, upTo := s.buf.unsaved()
	if len(rows) == 0 {
		s.status.passed(s.opt.Now())
		return nil
	}
	if s.tail.file == nil {
		done, err := s.tailDone(ctx)
		if err != nil {
			return err
		}
		f, err := openTailFile(s.tailPath())
		if err != nil {
			return err
		}
		s.tail.file, s.tail.generation = f, max(s.tail.generation, done+1)
	}
	record := encodeTail(s.tail.generation, rows)
	if left := tailPage - s.tail.at%tailPage; left < int64(len(record)) && len(record) <= tailPage {
		s.tail.at += left // one page is written and not two
	}
	n, err := s.tail.file.put(record, s.tail.at)
	if err != nil {
		return err
	}
	s.tail.at += n
	s.buf.saved(upTo)
	s.status.passed(s.opt.Now())
	return nil
}

// tailFull reports whether it is time for a commit; wmu is held.
func (s *Store) tailFull() bool {
	s.mu.RLock()
	memory := s.memory
	s.mu.RUnlock()
	held := s.buf.held()
	return memory || s.opt.Guest || s.held.count() > 0 || s.Health().Problem != "" ||
		held >= tailRows(s.opt.Vessels) || s.opt.Now().Sub(s.tail.since).Abs() >= tailFor
}

// sealTail notes, within a commit of all samples, that the tail counts no more.
func (s *Store) sealTail(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, setMetaSQL, tailKey, strconv.FormatUint(s.tail.generation, 10))
	return err
}

// beginTail begins a new generation after such a commit.
func (s *Store) beginTail() {
	s.tail.generation++
	s.tail.at, s.tail.since = 0, s.opt.Now()
}

// closeTail closes the file; what waits counts as not saved again.
func (s *Store) closeTail() error {
	f := s.tail.file
	s.tail.file, s.tail.at = nil, 0
	s.buf.forget()
	if f == nil {
		return nil
	}
	return f.Close()
}

// takeTail reads what an earlier run left in the tail. The service puts it back
// among the samples that wait; a guest only looks at it.
func (s *Store) takeTail(ctx context.Context) error {
	done, err := s.tailDone(ctx)
	if err != nil {
		return err
	}
	s.tail.generation, s.tail.since = done+1, s.opt.Now()
	f, err := os.Open(s.tailPath())
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			s.note("The latest samples in %s cannot be read: %v.", s.tailPath(), err)
		}
		return nil
	}
	defer f.Close()
	generation, rows, err := readTail(f)
	if err != nil {
		s.note("The latest samples in %s cannot be read whole: %v.", s.tailPath(), err)
	}
	if generation <= done {
		return nil
	}
	s.tail.generation = generation + 1
	known, err := s.riseIDs(ctx, "1")
	if err != nil {
		return err
	}
	there := map[int64]bool{}
	for _, id := range known {
		there[id] = true
	}
	for _, r := range rows {
		if there[r.RiseID] {
			s.buf.restore(r, s.opt.Guest)
		}
	}
	if s.opt.Guest || s.buf.held() == 0 {
		return nil
	}
	// Now, because the next record is written over them.
	if err := s.Flush(ctx); err != nil && !isRefusal(err) {
		return err
	}
	return nil
}

// tailDone is the last generation that the database holds.
func (s *Store) tailDone(ctx context.Context) (uint64, error) {
	var text sql.NullString
	err := s.query(func(db *sql.DB) error {
		return db.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = ?", tailKey).Scan(&text)
	})
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseUint(text.String, 10, 64)
	if err != nil {
		return 0, nil //nolint:nilerr // as if nothing were noted: samples may come twice, never be lost
	}
	return n, nil
}

// encodeTail makes a record.
func encodeTail(generation uint64, rows []RiseRow) []byte {
	b := make([]byte, tailHead, tailHead+16+40*len(rows))
	b = binary.AppendUvarint(b, generation)
	for _, r := range rows {
		b = binary.AppendUvarint(b, uint64(r.RiseID))
		b = binary.AppendVarint(b, r.Row.Time.UnixMilli())
		for _, v := range valuesOf(&r.Row) {
			b = binary.AppendVarint(b, packed(*v))
		}
		for _, text := range []string{r.Row.Rejected, string(r.Row.Event)} {
			b = binary.AppendUvarint(b, uint64(len(text)))
			b = append(b, text...)
		}
	}
	binary.LittleEndian.PutUint32(b, tailMark)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-tailHead))
	binary.LittleEndian.PutUint32(b[8:], crc32.Checksum(b[tailHead:], crc32.MakeTable(crc32.Castagnoli)))
	return b
}

// packed is a value in thousandths, 0 when missing: what is missing takes a byte.
func packed(v float64) int64 {
	n, ok := milli(v).(int64)
	switch {
	case !ok:
		return 0
	case n >= 0:
		return n + 1
	}
	return n
}

// unpacked is the way back.
func unpacked(n int64) float64 {
	if n > 0 {
		return fromMilli(sql.NullInt64{Int64: n - 1, Valid: true})
	}
	return fromMilli(sql.NullInt64{Int64: n, Valid: n < 0})
}

// tailMost bounds what is read of a tail, bytes.
const tailMost = 64 << 20

// readTail reads the records of the latest generation, wherever they stand; what else
// there is is left over from earlier ones. Where no whole record is, there may be one
// from the next sector on, so that damage costs the records it hit and no others.
func readTail(r io.Reader) (generation uint64, rows []RiseRow, err error) {
	data, err := io.ReadAll(io.LimitReader(r, tailMost))
	if err != nil {
		return 0, nil, err
	}
	for at := 0; at < len(data); {
		body, ok := tailRecord(data[at:])
		if !ok {
			at += tailSector - at%tailSector
			continue
		}
		at += tailHead + len(body)
		g, more, broken := decodeTail(bytes.NewBuffer(body))
		if broken != nil {
			err = errors.Join(err, broken)
			continue
		}
		if g > generation {
			generation, rows = g, nil
		}
		if g == generation {
			rows = append(rows, more...)
		}
	}
	return generation, rows, err
}

// tailRecord is the record at the beginning of data, if there is a whole one.
func tailRecord(data []byte) (body []byte, ok bool) {
	if len(data) < tailHead || binary.LittleEndian.Uint32(data) != tailMark {
		return nil, false
	}
	length := binary.LittleEndian.Uint32(data[4:])
	if uint64(length) > uint64(len(data)-tailHead) {
		return nil, false
	}
	body = data[tailHead : tailHead+int(length)]
	return body, crc32.Checksum(body, crc32.MakeTable(crc32.Castagnoli)) == binary.LittleEndian.Uint32(data[8:])
}

// decodeTail reads what a record holds.
func decodeTail(b *bytes.Buffer) (generation uint64, rows []RiseRow, err error) {
	if generation, err = binary.ReadUvarint(b); err != nil {
		return 0, nil, fmt.Errorf("a record has no generation: %w", err)
	}
	for b.Len() > 0 {
		r, err := decodeRow(b)
		if err != nil {
			return generation, rows, fmt.Errorf("sample %d of a record: %w", len(rows), err)
		}
		rows = append(rows, r)
	}
	return generation, rows, nil
}

// decodeRow reads one sample.
func decodeRow(b *bytes.Buffer) (RiseRow, error) {
	var r RiseRow
	id, err1 := binary.ReadUvarint(b)
	at, err2 := binary.ReadVarint(b)
	if err := errors.Join(err1, err2); err != nil {
		return r, err
	}
	if id == 0 || id > math.MaxInt64 {
		return r, fmt.Errorf("%d is no number of a rise", id)
	}
	r.RiseID, r.Row.Time = int64(id), time.UnixMilli(at).UTC()
	for _, v := range valuesOf(&r.Row) {
		n, err := binary.ReadVarint(b)
		if err != nil {
			return r, err
		}
		*v = unpacked(n)
	}
	var text [2]string
	for i := range text {
		n, err := binary.ReadUvarint(b)
		if err != nil {
			return r, err
		}
		if n > uint64(b.Len()) {
			return r, io.ErrUnexpectedEOF
		}
		text[i] = string(b.Next(int(n)))
	}
	r.Row.Rejected, r.Row.Event = text[0], estimator.Event(text[1])
	return r, nil
}
