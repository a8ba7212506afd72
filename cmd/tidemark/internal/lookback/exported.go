package lookback

import (
	"bufio"
	"bytes"
	"errors"
	"io"

	"tidemark/web/past"
)

// asRecord reads an exported CSV as the record it holds: of a file with the header
// of an export, only the columns of a record are passed on. Any other file is
// passed on as it is.
func asRecord(r io.Reader) io.Reader {
	in := bufio.NewReaderSize(r, 64<<10)
	head, _ := in.Peek(len(past.CSVHeader)) // a shorter file is no export
	if string(head) != past.CSVHeader {
		return in
	}
	return &columns{in: in}
}

// recordColumns are the columns of a record, which stand first in an export. None
// of them is ever quoted.
const recordColumns = 5

// columns passes on the first columns of each line.
type columns struct {
	in   *bufio.Reader
	line []byte // what is left of the line to pass on
}

// Read passes bytes on. A line longer than the buffer is an error.
func (c *columns) Read(p []byte) (int, error) {
	if len(c.line) == 0 {
		line, err := c.in.ReadSlice('\n')
		if len(line) == 0 || errors.Is(err, bufio.ErrBufferFull) {
			return 0, err
		}
		c.line = cut(line)
	}
	n := copy(p, c.line)
	c.line = c.line[n:]
	return n, nil
}

// cut cuts a line after the columns of a record and keeps its end.
func cut(line []byte) []byte {
	at := 0
	for range recordColumns {
		i := bytes.IndexByte(line[at:], ',')
		if i < 0 {
			return line
		}
		at += i + 1
	}
	return append(line[:at-1:at-1], '\n')
}
