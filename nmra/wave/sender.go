package wave

import (
	"slices"
	"time"

	"fettle/nmra"
)

// Sender says how a station sends packets. The zero Sender sends them at the nominal timing of S-9.1, each behind nmra.Preamble ones.
//
// The end bit of a packet must be followed by at least 26 µs of signal (S-9.2), so that a decoder sees where it ends: by the next
// packet, or by [Sender.Ones]; a [Signal] sees to it.
type Sender struct {
	Preamble int           // ones before each packet; 0: nmra.Preamble
	Stretch  time.Duration // the length of the second half of each zero; 0: not stretched
	Fault    Fault         // with which each packet is sent, to test receivers with

	// At is the half of the packet that is at fault, from 1 for the first of its start bit; 0 is 28, in the middle of its second byte.
	// A LongHalf or ShortHalf is this half, and CutShort breaks off behind it; UnevenOne is the first one that ends with this half or
	// behind it, LongZero the last zero that begins with this half or before it. Beyond the end bit it is the last half.
	At int
}

// How a Sender sends its faults. What a receiver must accept ends 6 µs before a LongHalf or a ShortHalf, and the halves of an UnevenOne
// could be ones of their own.
const (
	beyond    = 6 * time.Microsecond
	unevenOne = mostApart + 4*time.Microsecond
	shortLead = 8 // with the end bit of the packet before it these are nine ones, and ten would be a preamble (S-9.2)
	middle    = 28
)

// Append appends the halves of p behind its preamble. It allocates nothing but room in halves.
func (s Sender) Append(halves []time.Duration, p nmra.Packet) []time.Duration {
	preamble := s.preamble()
	halves = slices.Grow(halves, 2*(preamble+9*p.Len()+1))
	halves = s.Ones(halves, preamble)
	start := len(halves)
	for i := range p.Len() {
		b := p.Byte(i)
		if s.Fault == WrongCheck && i == p.Len()-1 {
			b ^= 1
		}
		halves = append(halves, nmra.HalfZero, s.second())
		for mask := byte(0x80); mask != 0; mask >>= 1 {
			if b&mask != 0 {
				halves = append(halves, nmra.HalfOne, nmra.HalfOne)
			} else {
				halves = append(halves, nmra.HalfZero, s.second())
			}
		}
	}
	if s.Fault == MissingEnd {
		return append(halves, nmra.HalfZero, s.second())
	}
	halves = append(halves, nmra.HalfOne, nmra.HalfOne)
	if s.Fault != NoFault {
		return halves[:start+s.spoil(halves[start:])]
	}
	return halves
}

// BitString gives the bits that are sent, as [nmra.Packet.BitString] does: preamble, then each byte behind its start bit, then the end
// bit. It has the faults that are [Fault.InBits], and shows the other ones as if they were not there.
func (s Sender) BitString(p nmra.Packet) string {
	s.Stretch = 0
	if !s.Fault.InBits() {
		s.Fault = NoFault
	}
	halves := s.Append(nil, p)
	text := make([]byte, 0, len(halves))
	place := -1 // of the bit, behind the preamble
	for i := 0; i+1 < len(halves); i += 2 {
		bit := byte('1')
		if halves[i] != nmra.HalfOne {
			bit = '0'
		}
		if place >= 0 || bit == '0' {
			place++
		}
		if place%9 == 0 || place%9 == 1 {
			text = append(text, ' ')
		}
		text = append(text, bit)
	}
	return string(text)
}

// Ones appends so many whole ones: what a station sends where it has no packet to send.
func (s Sender) Ones(halves []time.Duration, n int) []time.Duration {
	for range n {
		halves = append(halves, nmra.HalfOne, nmra.HalfOne)
	}
	return halves
}

// spoil gives the halves of a packet, from its start bit on, their fault, and says how many of them are sent.
func (s Sender) spoil(packet []time.Duration) int {
	at := s.At
	if at <= 0 {
		at = middle
	}
	at = min(at, len(packet)) - 1
	one := packet[at] == nmra.HalfOne
	switch bit := at &^ 1; s.Fault {
	case LongHalf:
		packet[at] = mostZero + beyond
		if one {
			packet[at] = mostOne + beyond
		}
	case ShortHalf:
		packet[at] = leastZero - beyond
		if one {
			packet[at] = leastOne - beyond
		}
	case UnevenOne:
		for packet[bit] != nmra.HalfOne {
			bit += 2 // the end bit is a one
		}
		packet[bit], packet[bit+1] = nmra.HalfOne-unevenOne/2, nmra.HalfOne+unevenOne/2
	case LongZero:
		for packet[bit] != nmra.HalfZero {
			bit -= 2 // the start bit is a zero
		}
		packet[bit], packet[bit+1] = mostWhole/2, mostWhole/2+beyond
	case CutShort:
		return at + 1
	}
	return len(packet)
}

func (s Sender) preamble() int {
	n := s.Preamble
	if n <= 0 {
		n = nmra.Preamble
	}
	if s.Fault == ShortPreamble {
		return min(n, shortLead)
	}
	return n
}

// second is the length of the second half of a zero.
func (s Sender) second() time.Duration {
	if s.Stretch == 0 {
		return nmra.HalfZero
	}
	return s.Stretch
}
