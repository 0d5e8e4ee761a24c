package wave

import (
	"fmt"
	"math/bits"

	"fettle/nmra"
)

// Event is what a bit brought to its end.
type Event uint8

const (
	Nothing  Event = iota // the bit is somewhere in a preamble or a packet, or in neither
	Complete              // a packet whose check byte is right
	BadCheck              // a packet whose check byte is wrong
	TooShort              // an end bit after one byte or two: no packet
	TooLong               // a start bit after nmra.MaxBytes bytes: no packet, and nothing more until the next preamble
)

// String is the event in words.
func (e Event) String() string {
	switch e {
	case Nothing:
		return "nothing yet"
	case Complete:
		return "complete packet"
	case BadCheck:
		return "packet with a wrong check byte"
	case TooShort:
		return "too short for a packet"
	case TooLong:
		return "too long for a packet"
	}
	return fmt.Sprintf("event %d", uint8(e))
}

// Receiver finds the packets in a stream of bits, as a decoder does (S-9.2, section A). It asks for a preamble, for the start
// bit of each byte and for the end bit, which may be the first one of the next preamble; and whether the check byte is right. Where it
// is not, or where bytes are missing, all ones in a row are taken for the next preamble, since the packet may have broken off in it.
// What a packet says is for [nmra.Packet.Instruction].
//
// The zero Receiver is ready, and finds its place in a stream that it comes into in the middle of. It allocates nothing.
type Receiver struct {
	// Preamble is how many ones must come before a packet. S-9.2 has a decoder need no fewer than 10 and no more than 12; 0 means 10.
	Preamble int

	ones   int                 // in a row, where no packet is coming in
	lead   int                 // ones that led in the packet that is coming in, or that came in last
	bytes  [nmra.MaxBytes]byte // whole ones
	n      int                 // how many
	byte   byte                // that is coming in
	left   uint8               // its bits that are still to come
	check  byte                // exclusive OR of bytes
	inside bool                // a packet is coming in
}

// Bit takes the next bit and says what it brought to its end.
func (r *Receiver) Bit(one bool) Event {
	if r.left > 0 {
		r.byte <<= 1
		if one {
			r.byte |= 1
		}
		r.left--
		return Nothing
	}
	return r.frame(one)
}

// frame takes a bit that is none of a byte.
func (r *Receiver) frame(one bool) Event {
	if !r.inside {
		if one {
			r.ones++
			return Nothing
		}
		if r.ones >= r.need() {
			r.inside, r.lead, r.n, r.check, r.left = true, r.ones, 0, 0, 8
		}
		r.ones = 0
		return Nothing
	}
	r.bytes[r.n] = r.byte
	r.n++
	r.check ^= r.byte
	if !one {
		if r.n < nmra.MaxBytes {
			r.left = 8
			return Nothing
		}
		r.inside, r.n = false, 0
		return TooLong
	}
	r.inside, r.ones = false, 1
	if r.n >= nmra.MinBytes && r.check == 0 {
		return Complete
	}
	// Where a packet broke off, the next preamble has come in as its last bits.
	r.ones += bits.TrailingZeros8(^r.byte)
	if r.n < nmra.MinBytes {
		r.n = 0
		return TooShort
	}
	return BadCheck
}

// drop leaves the packet that is coming in, or the preamble.
func (r *Receiver) drop() { r.inside, r.left, r.n, r.ones = false, 0, 0, 0 }

// Packet is the packet that [Complete] or [BadCheck] told of, until the next one begins; at other times it has no meaning.
func (r *Receiver) Packet() nmra.Packet {
	p, err := nmra.NewPacket(r.bytes[:r.n]...)
	if err != nil {
		return nmra.Packet{}
	}
	return p
}

// Lead is how many ones led in the packet of [Receiver.Packet], the end bit of the one before it included where it came right before
// them. Service mode asks for at least nmra.LongPreamble (S-9.2.3).
func (r *Receiver) Lead() int { return r.lead }

// Ahead is how many bits have to come, at the least, before a packet can be [Complete].
func (r *Receiver) Ahead() int {
	if r.inside {
		return int(r.left) + 9*max(0, nmra.MinBytes-1-r.n) + 1
	}
	return max(0, r.need()-r.ones) + 9*nmra.MinBytes + 1
}

// need is how many ones must come before a packet.
func (r *Receiver) need() int {
	if r.Preamble == 0 {
		return 10
	}
	return r.Preamble
}
