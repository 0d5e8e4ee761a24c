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
	s := fmt.Sprintf("%v %d", f.Type, f.Number)
	if f.n == 0 {
		return s
	}
	return fmt.Sprintf("%s: % X", s, f.payload[:f.n])
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
	return appendCOBS(line, appendChecksum(b[:n]))
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

// appendChecksum appends the CRC of b.
func appendChecksum(b []byte) []byte {
	return binary.BigEndian.AppendUint16(b, checksum(b))
}

// rightChecksum is the checksum of every frame with its CRC behind it. It is not 0, so a zero byte that came behind the CRC is seen.
const rightChecksum = 0x1D0F ^ 0xFFFF

// checksum is the CRC-16/GENIBUS: polynomial 1021, begun with FFFF, inverted at the end.
func checksum(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc = crc<<8 ^ crcTable[byte(crc>>8)^x]
	}
	return ^crc
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
