package history

import (
	"errors"
	"os"
	"syscall"
)

// tailBuffer is how much of a record is written in one go, bytes: whole sectors.
const tailBuffer = 64 << 10

// tailFile is the tail opened for writing. Where the file system can, it writes past
// the page cache (open(2), O_DIRECT): a record costs its own sectors then and not a
// page of the cache, and sectors written before are left alone. Where it cannot
// (EINVAL, at opening or at the first write: disks with sectors of 4096 bytes, some
// file systems), it writes through the cache as any file.
type tailFile struct {
	*os.File
	direct bool
	buf    []byte // of whole pages of memory, as open(2) asks for
}

// openTailFile opens or creates the file for writing.
func openTailFile(path string) (*tailFile, error) {
	buf, err := syscall.Mmap(-1, 0, tailBuffer, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_ANON|syscall.MAP_PRIVATE)
	if err != nil {
		return nil, err
	}
	t := &tailFile{direct: directFlag != 0, buf: buf}
	if err := t.open(path); err != nil {
		return nil, errors.Join(err, syscall.Munmap(buf))
	}
	return t, nil
}

// open opens the file, past the page cache if that is still to be tried.
func (t *tailFile) open(path string) error {
	const flags = os.O_RDWR | os.O_CREATE
	var err error
	if t.direct {
		if t.File, err = os.OpenFile(path, flags|directFlag, fileMode); !errors.Is(err, syscall.EINVAL) {
			return err
		}
		t.direct = false
	}
	t.File, err = os.OpenFile(path, flags, fileMode)
	return err
}

// put writes a record at an offset of a whole sector, with zeros up to the end of its
// last one, and waits for the disk. It returns how many bytes that took.
func (t *tailFile) put(record []byte, at int64) (int64, error) {
	n, err := t.write(record, at)
	if t.direct && errors.Is(err, syscall.EINVAL) {
		path := t.Name()
		t.direct = false
		if err = errors.Join(t.File.Close(), t.open(path)); err == nil {
			n, err = t.write(record, at)
		}
	}
	if err != nil {
		return n, err
	}
	return n, t.Sync()
}

// write writes a record a buffer at a time.
func (t *tailFile) write(record []byte, at int64) (n int64, err error) {
	for len(record) > 0 {
		part := copy(t.buf, record)
		record = record[part:]
		whole := (part + tailSector - 1) / tailSector * tailSector
		clear(t.buf[part:whole])
		if _, err := t.WriteAt(t.buf[:whole], at+n); err != nil {
			return n, err
		}
		n += int64(whole)
	}
	return n, nil
}

// Close closes the file.
func (t *tailFile) Close() error { return errors.Join(t.File.Close(), syscall.Munmap(t.buf)) }
