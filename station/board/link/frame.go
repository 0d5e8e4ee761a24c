package link

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// The parts of a frame as they travel, before COBS: type and number, payload, CRC.
const (
	headBytes = 2
	crcBytes  = 2
	maxBytes  = headBytes + MaxPayload + crcBytes
)

// Frame is one frame. It is a plain value: frames compare with ==. Make it with [NewFrame].
type Frame struct {
	Type    Type
	Number  uint8
	n       uint8
	payload [MaxPayload]byte
}

// NewFrame makes a frame whose payload is the parts one after the other: structs of the [Table], or bytes. It panics where they are
// more than [MaxPayload] bytes, or no such part: that is a mistake of the program's.
func NewFrame(t Type, number uint8, parts ...any) Frame {
	f := Frame{Type: t, Number: number}
	payload := f.payload[:0]
	for _, part := range parts {
		var err error
		if payload, err = binary.Append(payload, binary.LittleEndian, part); err != nil {
			panic(fmt.Sprintf("link: frame of type %#02x: %v", uint8(t), err))
		}
	}
	if len(payload) > MaxPayload {
		panic(fmt.Sprintf("link: frame of type %#02x: a payload of %d bytes, at most %d", uint8(t), len(payload), MaxPayload))
	}
	f.n = uint8(copy(f.payload[:], payload))
	return f
}

// Payload is what the frame carries.
func (f Frame) Payload() []byte { return slices.Clone(f.payload[:f.n]) }

// Decode takes the payload into v, a pointer to a struct of the [Table]. The lengths have to be the same.
func (f Frame) Decode(v any) error {
	if want := binary.Size(v); want != int(f.n) {
		return fmt.Errorf("frame of type %#02x: a payload of %d bytes, want the %d of %T", uint8(f.Type), f.n, want, v)
	}
	_, err := binary.Decode(f.payload[:f.n], binary.LittleEndian, v)
	return err
}

// String is for a log: "train 7: 14 01 02".
func (f Frame) String() string {
	return fmt.Sprintf("%v %d: % X", f.Type, f.Number, f.payload[:f.n])
}

// String is the name of the type: "train", "answer to train".
func (t Type) String() string {
	for _, row := range Table {
		if row.Type == t&^AnswerBit {
			if t&AnswerBit != 0 && t != Refused|AnswerBit {
				return "answer to " + row.Name
			}
			return row.Name
		}
	}
	return fmt.Sprintf("type %#02x", uint8(t))
}

// Append appends the frame as it travels, with the zero byte after it.
func (f Frame) Append(line []byte) []byte {
	var b [maxBytes]byte
	b[0], b[1] = byte(f.Type), f.Number
	n := headBytes + copy(b[headBytes:], f.payload[:f.n])
	crc := checksum(b[:n])
	b[n], b[n+1] = byte(crc>>8), byte(crc)
	return appendCOBS(line, b[:n+crcBytes])
}

// appendCOBS appends b so that it has no zero byte, and then one. b is shorter than 254 bytes, so there is one code byte for each zero of b
// and one for its end.
func appendCOBS(line, b []byte) []byte {
	code := len(line)
	line = append(line, 1)
	for _, x := range b {
		if x == 0 {
			code = len(line)
			line = append(line, 1)
			continue
		}
		line = append(line, x)
		line[code]++
	}
	return append(line, 0)
}

// Reader finds the frames in what comes off the line. The zero Reader is ready: it takes what comes before the first zero byte for a
// frame. It allocates nothing, and loses no more than the frame that was damaged and, where its zero byte was, the one behind it.
type Reader struct {
	b    [maxBytes]byte
	n    int  // bytes of the frame so far
	run  int  // to come before the next code byte
	zero bool // the next code byte stands for a zero
	bad  bool // the frame is too long: all of it is dropped
}

// Take takes a byte off the line. ok says that it ended a whole frame, right in its CRC and as long as one of its type.
func (r *Reader) Take(b byte) (f Frame, ok bool) {
	if b == 0 {
		whole := !r.bad && r.run == 0 && right(r.b[:r.n])
		if whole {
			f.Type, f.Number = Type(r.b[0]), r.b[1]
			f.n = uint8(copy(f.payload[:], r.b[headBytes:r.n-crcBytes]))
		}
		r.n, r.run, r.zero, r.bad = 0, 0, false, false
		return f, whole
	}
	if r.run > 0 {
		r.run--
		r.put(b)
		return f, false
	}
	if r.zero {
		r.put(0)
	}
	r.run, r.zero = int(b)-1, b != 0xFF
	return f, false
}

func (r *Reader) put(b byte) {
	if r.n == len(r.b) {
		r.bad = true
		return
	}
	r.b[r.n] = b
	r.n++
}

// right says whether the bytes are a frame: right in their CRC, of a type that there is, and as long as one of that type.
func right(b []byte) bool {
	n := len(b) - headBytes - crcBytes
	if n < 0 || checksum(b) != 0 {
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

// checksum is the CRC-16/IBM-3740: polynomial 1021, begun with FFFF. Of a frame with its CRC behind it, it is 0.
func checksum(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc = crc<<8 ^ crcTable[byte(crc>>8)^x]
	}
	return crc
}

var crcTable = func() (t [256]uint16) {
	for i := range t {
		crc := uint16(i) << 8
		for range 8 {
			high := crc & 0x8000
			if crc <<= 1; high != 0 {
				crc ^= 0x1021
			}
		}
		t[i] = crc
	}
	return t
}()
