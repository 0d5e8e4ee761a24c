package link

import "encoding/binary"

// Reader finds the frames in what comes off the line. The zero Reader is ready: it takes what comes before the first zero byte for a
// frame. It allocates nothing, and after any damage finds its place again at the next zero byte: what is lost is the damaged frame and,
// where its zero byte was hit, the one behind it.
//
// The CRC finds up to three wrong bits in a frame, and all damage within 16 bits of it. That holds for the frame before COBS: where the
// damage moves a zero byte, one in 65536 that keep the length passes for a frame, as with any CRC of 16 bits. So a host that is
// answered what it did not ask drops it, and the numbers of On and Train bound what a board makes of it.
type Reader struct {
	b       [maxBytes]byte
	n       int  // bytes of the frame so far
	run     int  // to come before the next code byte
	begun   bool // a code byte came before: the next one stands for a zero
	tooLong bool // all of it is dropped
}

// Take takes a byte off the line. ok says that it ended a whole frame, right in its CRC and as long as one of its type.
func (r *Reader) Take(b byte) (f Frame, ok bool) {
	if b == 0 {
		whole := !r.tooLong && r.run == 0 && right(r.b[:r.n])
		if whole {
			f.Type, f.Number = Type(r.b[0]), r.b[1]
			f.n = uint8(copy(f.payload[:], r.b[headBytes:r.n-crcBytes]))
		}
		r.n, r.run, r.begun, r.tooLong = 0, 0, false, false
		return f, whole
	}
	if r.run > 0 {
		r.run--
		r.keep(b)
		return f, false
	}
	if r.begun {
		r.keep(0)
	}
	r.run, r.begun = int(b)-1, true
	return f, false
}

func (r *Reader) keep(b byte) {
	if r.n == len(r.b) {
		r.tooLong = true
		return
	}
	r.b[r.n] = b
	r.n++
}

// right says whether the bytes are a frame: right in their CRC, of a type that there is, and as long as one of that type.
func right(b []byte) bool {
	n := len(b) - headBytes - crcBytes
	if n < 0 || checksum(b) != rightChecksum {
		return false
	}
	may := lengths[b[0]]
	return may.known && may.least <= n && n <= may.most
}

// Lengths says how many bytes the payload of a frame of the type has: from least to most. ok is false where there is no such type.
func (t Type) Lengths() (least, most int, ok bool) {
	may := lengths[t]
	return may.least, may.most, may.known
}

// lengths is what the Table says of them.
var lengths = func() (of [256]struct {
	known       bool
	least, most int
}) {
	set := func(t Type, payload any, behind int) {
		if payload == nil {
			return
		}
		may := &of[t]
		may.known, may.least, may.most = true, binary.Size(payload)+behind, binary.Size(payload)
		if behind > 0 {
			may.most = MaxPayload
		}
	}
	for _, row := range Table {
		set(row.Type, row.Said, row.Behind)
		set(row.Type|AnswerBit, row.Answer, 0)
	}
	return of
}()
