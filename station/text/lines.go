package text

import (
	"bytes"
	"fmt"
)

// lines cuts what comes in into lines. It keeps at most one line that is not whole yet.
type lines struct {
	start, end []byte
	longest    int // bytes of a line, without start and end
	line       []byte
}

// strays is how many carriage returns and line feeds may stand beside a line beyond what ends it.
const strays = 2

// take takes one byte off the port. ok: with it a line is whole, which is valid until the next call. What comes before the start of
// a line is passed over, and so are lines with nothing in them. Errors: a line that is too long; it is dropped.
func (l *lines) take(b byte) (line []byte, ok bool, err error) {
	l.line = append(l.line, b)
	whole := bytes.HasSuffix(l.line, l.end)
	if !whole && len(l.line) < l.longest+len(l.start)+len(l.end)+strays {
		return nil, false, nil
	}
	line = l.line
	l.line = l.line[:0]
	if !whole {
		return nil, false, l.tooLong(line)
	}
	line = line[:len(line)-len(l.end)]
	if len(l.start) > 0 {
		at := bytes.LastIndex(line, l.start)
		if at < 0 {
			return nil, false, nil
		}
		line = line[at+len(l.start):]
	}
	line = bytes.Trim(line, "\r\n")
	if len(line) > l.longest {
		return nil, false, l.tooLong(line)
	}
	return line, len(line) > 0, nil
}

func (l *lines) tooLong(line []byte) error {
	return fmt.Errorf("a line of more than %d bytes, %s", l.longest, quote(line))
}

// drop forgets what has come in of a line.
func (l *lines) drop() { l.line = l.line[:0] }
