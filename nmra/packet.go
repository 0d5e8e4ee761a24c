package nmra

import (
	"fmt"
	"math/bits"
	"strings"
	"time"
)

// Bit timing of the signal that a station sends, nominal (S-9.1).
const (
	HalfOne  = 58 * time.Microsecond
	HalfZero = 100 * time.Microsecond
)

// Preambles, in one bits, that a station sends before a packet: at least 14 (S-9.2), at least 20 in service mode (S-9.2.3). ApartPreamble
// keeps packets to one decoder 5 ms apart, from end bit to start bit (S-9.2), with nothing but ones between.
const (
	Preamble      = 14
	LongPreamble  = 20
	ApartPreamble = 44
)

// MinBytes and MaxBytes bound the length of a packet, its check byte included (S-9.2.1).
const (
	MinBytes = 3
	MaxBytes = 6
)

// Packet is the bytes of one packet, the check byte last. It is a plain value: packets compare with ==.
// The zero Packet has no bytes and is never sent.
type Packet struct {
	bytes [MaxBytes]byte
	n     uint8
}

// NewPacket takes the bytes of a packet as they are, check byte included, without asking whether they mean anything.
// It refuses fewer than [MinBytes] and more than [MaxBytes].
func NewPacket(b ...byte) (Packet, error) {
	if len(b) < MinBytes || len(b) > MaxBytes {
		return Packet{}, fmt.Errorf("packet: %d bytes, want %d to %d with the check byte", len(b), MinBytes, MaxBytes)
	}
	var p Packet
	p.n = uint8(copy(p.bytes[:], b))
	return p, nil
}

// seal makes a packet of up to five bytes and adds the check byte: the exclusive OR of all before it (S-9.2).
func seal(b ...byte) Packet {
	var p Packet
	var check byte
	for i, x := range b {
		p.bytes[i] = x
		check ^= x
	}
	p.bytes[len(b)] = check
	p.n = uint8(len(b) + 1)
	return p
}

// Len is the number of bytes, the check byte included.
func (p Packet) Len() int { return int(p.n) }

// Byte is the i-th byte, from 0.
func (p Packet) Byte(i int) byte { return p.bytes[:p.n][i] }

// Append appends the bytes of p to b.
func (p Packet) Append(b []byte) []byte { return append(b, p.bytes[:p.n]...) }

// String gives the bytes in hexadecimal: "37 74 43".
func (p Packet) String() string { return fmt.Sprintf("% X", p.bytes[:p.n]) }

// BitString gives the bits as S-9.2 prints them: preamble, then each byte behind its start bit, then the end bit.
func (p Packet) BitString(preamble int) string {
	var s strings.Builder
	s.WriteString(strings.Repeat("1", preamble))
	for _, b := range p.bytes[:p.n] {
		fmt.Fprintf(&s, " 0 %08b", b)
	}
	s.WriteString(" 1")
	return s.String()
}

// Bits calls yield with each bit of the packet in the order in which it is sent, until yield returns false.
func (p Packet) Bits(preamble int) func(yield func(one bool) bool) {
	return func(yield func(bool) bool) {
		for range preamble {
			if !yield(true) {
				return
			}
		}
		for _, b := range p.bytes[:p.n] {
			if !yield(false) {
				return
			}
			for mask := byte(0x80); mask != 0; mask >>= 1 {
				if !yield(b&mask != 0) {
					return
				}
			}
		}
		yield(true)
	}
}

// Airtime is how long the packet is on the track behind so many preamble bits, at nominal timing.
func (p Packet) Airtime(preamble int) time.Duration {
	all, ones := preamble+9*p.Len()+1, preamble+1
	for _, b := range p.bytes[:p.n] {
		ones += bits.OnesCount8(b)
	}
	return time.Duration(ones)*BitTime(true) + time.Duration(all-ones)*BitTime(false)
}

// BitTime is the nominal length of a bit: both its halves.
func BitTime(one bool) time.Duration {
	if one {
		return 2 * HalfOne
	}
	return 2 * HalfZero
}
