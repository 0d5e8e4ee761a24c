package capture

import (
	"bytes"
	"fmt"
	"io"
)

const (
	wordsBuffer = 128 << 10 // bytes: the longest word, or value and code of a change, that can be read
	endMark     = "$end"
)

// words is the text of a dump, read into one buffer and taken from it word by word, in place.
type words struct {
	from  io.Reader
	buf   []byte // wordsBuffer long, and a byte more
	pos   int    // of what is not yet taken
	whole int    // up to here there are whole words; what is before it is a gap
	read  int    // up to here there are bytes that were read
	line  int    // of the first byte of buf, from 0
	err   error  // of from
	word  int    // where the word that was taken last begins

	skipping bool // a word may be longer than the buffer
}

func newWords(from io.Reader) words { return words{from: from, buf: make([]byte, wordsBuffer+1)} }

// isGap reports whether c stands between words. Other bytes below it have no place in a dump.
func isGap(c byte) bool {
	return c == '\n' || c == ' ' || c == '\r' || c == '\t' || c == '\v' || c == '\f'
}

// more reads on, behind what is not yet taken, which comes to the beginning of the buffer, until there are more whole words. The error is
// io.EOF behind the last.
func (w *words) more() error {
	w.line += bytes.Count(w.buf[:w.pos], []byte{'\n'})
	copy(w.buf, w.buf[w.pos:w.read])
	w.read -= w.pos
	w.whole -= w.pos
	w.pos = 0
	before := w.whole
	for empty := 0; w.whole == before; {
		if w.err != nil {
			return w.err
		}
		if w.read == wordsBuffer {
			if !w.skipping {
				return w.syntaxError(0, string(w.buf[:longestFound+1]), fmt.Sprintf("words, and values with their codes, of fewer than %d bytes", wordsBuffer))
			}
			w.read = copy(w.buf, w.buf[w.read-len(endMark)-1:w.read]) // the tail of a word shows that it is no $end
		}
		n, err := w.from.Read(w.buf[w.read:wordsBuffer])
		fresh := w.read
		w.read += n
		if w.err = err; err == io.EOF && w.read > w.whole {
			w.buf[w.read] = ' '
			w.read++
			w.whole = w.read
			break
		}
		if empty++; n > 0 {
			empty = 0
		} else if empty == 100 && err == nil {
			w.err = io.ErrNoProgress
		}
		for i := w.read; i > fresh; i-- {
			if w.buf[i-1] <= ' ' {
				w.whole = i
				break
			}
		}
	}
	return nil
}

// next takes the next word, which lasts until the next call. The error is io.EOF behind the last.
func (w *words) next() ([]byte, error) {
	for {
		for ; w.pos < w.whole; w.pos++ {
			if c := w.buf[w.pos]; c > ' ' {
				w.word = w.pos
				w.pos = gap(w.buf, w.pos)
				return w.buf[w.word:w.pos], nil
			} else if !isGap(c) {
				return nil, w.control(w.pos)
			}
		}
		if err := w.more(); err != nil {
			return nil, err
		}
	}
}

// skip takes all words up to an $end, whatever they are and however long.
func (w *words) skip() error {
	w.skipping = true
	defer func() { w.skipping = false }()
	for {
		for w.pos < w.whole {
			begin := w.pos
			w.pos = gap(w.buf, w.pos)
			word := w.buf[begin:w.pos]
			if w.pos++; string(word) == endMark {
				return nil
			}
		}
		if err := w.more(); err == io.EOF {
			return w.syntaxError(w.read, "", endMark)
		} else if err != nil {
			return err
		}
	}
}

// control is the error of a byte that has no place in a dump.
func (w *words) control(pos int) error {
	return w.syntaxError(pos, string(w.buf[pos:pos+1]), "text")
}

// unlike is the error of the word that begins at pos.
func (w *words) unlike(pos int, want string) error {
	return w.syntaxError(pos, string(w.buf[pos:gap(w.buf[:w.whole], pos)]), want)
}

// syntaxError is the error of what stands at pos of the buffer.
func (w *words) syntaxError(pos int, found, want string) error {
	return &SyntaxError{Form: VCD, Line: 1 + w.line + bytes.Count(w.buf[:pos], []byte{'\n'}), Found: found, Want: want}
}
