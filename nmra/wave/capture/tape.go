package capture

import (
	"bytes"
	"io"
)

// tape is a reader that keeps the beginning of what is read through it, so that it can be read again.
type tape struct {
	from io.Reader
	kept []byte // what was read, from the first byte on, until stop
	at   int    // how much of it Read has given
	off  bool   // nothing is kept any more
	lost bool   // more was read than is kept
}

func (t *tape) Read(p []byte) (int, error) {
	if t.at < len(t.kept) {
		n := copy(p, t.kept[t.at:])
		t.at += n
		if t.off && t.at == len(t.kept) {
			t.kept, t.at = nil, 0
		}
		return n, nil
	}
	n, err := t.from.Read(p)
	switch {
	case t.off:
	case len(t.kept)+n > mostTape:
		t.kept, t.at, t.off, t.lost = nil, 0, true, true
	default:
		t.kept = append(t.kept, p[:n]...)
		t.at = len(t.kept)
	}
	return n, err
}

// fill reads on until so many bytes are kept, or all that there are.
func (t *tape) fill(size int) error {
	if t.off || len(t.kept) >= size {
		return nil
	}
	n := len(t.kept)
	t.kept = append(make([]byte, 0, size), t.kept...)[:size]
	more, err := io.ReadFull(t.from, t.kept[n:])
	t.kept = t.kept[:n+more]
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return nil
	}
	return err
}

// again reads from the first byte on, while none is lost.
func (t *tape) again() io.Reader { return io.MultiReader(bytes.NewReader(t.kept), t.from) }

// stop keeps nothing any more, beyond what Read has still to give.
func (t *tape) stop() {
	t.off = true
	if t.at == len(t.kept) {
		t.kept, t.at = nil, 0
	}
}
