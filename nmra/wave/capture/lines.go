package capture

import (
	"bytes"
	"fmt"
	"io"
)

const (
	longestLine = 64 << 10  // bytes
	linesBuffer = 256 << 10 // bytes; as much as is looked at before the first line is taken
)

// lines is the text of lines of values, read into one buffer and taken from it line by line, in place.
type lines struct {
	from   io.Reader
	buf    []byte // linesBuffer long
	start  int    // of the line that was taken last
	pos    int    // of what is not yet taken
	read   int    // up to here there are bytes that were read
	number int    // of the line that was taken last, from 1; 0 before the first
	err    error  // of from
}

// newLines reads the text from its beginning on, behind the mark of UTF-8 where it has one.
func newLines(from io.Reader) (*lines, error) {
	l := &lines{from: from, buf: make([]byte, linesBuffer)}
	const mark = "\xEF\xBB\xBF"
	for l.read < len(mark) && l.err == nil {
		l.fill()
	}
	begin := l.buf[:l.read]
	switch {
	case bytes.HasPrefix(begin, []byte(mark)):
		l.pos = len(mark)
	case bytes.HasPrefix(begin, []byte("\xFE\xFF")), bytes.HasPrefix(begin, []byte("\xFF\xFE")):
		return nil, &SyntaxError{Form: CSV, Line: 1, Found: string(begin[:2]), Want: "text in ASCII or UTF-8: this is the mark of UTF-16"}
	}
	return l, nil
}

// next takes the next line that has something in it, without its end. It lasts until the next call. The error is io.EOF behind the last.
func (l *lines) next() ([]byte, error) {
	for {
		rest := l.buf[l.pos:l.read]
		end := bytes.IndexByte(rest, '\n')
		switch {
		case end > longestLine, end < 0 && len(rest) > longestLine:
			return nil, &SyntaxError{Form: CSV, Line: l.number + 1, Found: string(rest[:longestFound+1]),
				Want: fmt.Sprintf("a line of up to %d bytes", longestLine)}
		case end >= 0:
			l.start = l.pos
			l.pos += end + 1
		case l.err != nil && (l.err != io.EOF || len(rest) == 0):
			return nil, l.err // a line that the reader broke off is none
		case l.err != nil:
			l.start, l.pos, end = l.pos, l.read, len(rest)
		default:
			l.fill()
			continue
		}
		l.number++
		if end > 0 && rest[end-1] == '\r' {
			end--
		}
		if end > 0 {
			return rest[:end], nil
		}
	}
}

// back puts the line that was taken last back.
func (l *lines) back() {
	l.pos = l.start
	l.number--
}

// fill reads once more, behind what is not yet taken, which comes to the beginning of the buffer.
func (l *lines) fill() {
	if l.pos > 0 {
		copy(l.buf, l.buf[l.pos:l.read])
		l.read -= l.pos
		l.pos = 0
	}
	const patience = 100 // reads that bring nothing
	for range patience {
		n, err := l.from.Read(l.buf[l.read:])
		l.read += n
		if l.err = err; n > 0 || err != nil {
			return
		}
	}
	l.err = io.ErrNoProgress
}

// ahead gives the lines to come, so many or as many as the buffer holds. To take them takes nothing from l; behind the last the error is
// io.ErrUnexpectedEOF where the text may go on.
func (l *lines) ahead(most int) lines {
	for n, counted := 0, l.pos; l.err == nil; {
		if n += bytes.Count(l.buf[counted:l.read], []byte{'\n'}); n >= most || l.read-l.pos == len(l.buf) {
			break
		}
		fresh := l.read - l.pos
		l.fill()
		counted = fresh
	}
	ahead := *l
	if ahead.err == nil {
		ahead.err = io.ErrUnexpectedEOF
	}
	return ahead
}

// row gives the cells of a line, one by one. Blanks around them don't count.
type row struct {
	rest      []byte
	separator byte // a comma, a semicolon or a tab
}

// cell takes the next cell. more: there is another, if only an empty one. wrong says what is wrong with a cell in quotes.
func (r *row) cell() (cell []byte, more bool, wrong string) {
	for len(r.rest) > 0 && r.blank(r.rest[0]) {
		r.rest = r.rest[1:]
	}
	if len(r.rest) > 0 && r.rest[0] == '"' {
		return r.quoted()
	}
	end := bytes.IndexByte(r.rest, r.separator)
	if more = end >= 0; more {
		cell, r.rest = r.rest[:end], r.rest[end+1:]
	} else {
		cell, r.rest = r.rest, nil
	}
	for len(cell) > 0 && r.blank(cell[len(cell)-1]) {
		cell = cell[:len(cell)-1]
	}
	return cell, more, ""
}

func (r *row) blank(c byte) bool { return c == ' ' || c == '\t' && r.separator != '\t' }

// quoted takes a cell in quotes, within which a quote is written twice, and left so.
func (r *row) quoted() (cell []byte, more bool, wrong string) {
	for end := 1; end < len(r.rest); end++ {
		if r.rest[end] != '"' {
			continue
		}
		if end+1 < len(r.rest) && r.rest[end+1] == '"' {
			end++
			continue
		}
		cell, r.rest = r.rest[1:end], r.rest[end+1:]
		for len(r.rest) > 0 && r.blank(r.rest[0]) {
			r.rest = r.rest[1:]
		}
		switch {
		case len(r.rest) == 0:
			return cell, false, ""
		case r.rest[0] == r.separator:
			r.rest = r.rest[1:]
			return cell, true, ""
		}
		return nil, false, "nothing between the quote that ends a cell and " + separatorName(r.separator)
	}
	return nil, false, "a quote that ends the cell, on the same line"
}

// separatorOf finds what is between the cells of a line, outside of quotes: tabs, or else semicolons, or else commas; 0 for nothing.
func separatorOf(line []byte) byte {
	var found byte
	quoted := false
	for _, c := range line {
		switch {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\t':
			return c
		case c == ';', c == ',' && found == 0:
			found = c
		}
	}
	return found
}

func separatorName(separator byte) string {
	switch separator {
	case '\t':
		return "a tab"
	case ';':
		return "a semicolon"
	}
	return "a comma"
}
