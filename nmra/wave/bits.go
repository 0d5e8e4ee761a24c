package wave

import "time"

// Bit is what a half-bit brought to its end.
type Bit uint8

const (
	NoBit  Bit = iota // the half is the first of a bit, or the second of one whose first was not seen
	Zero              // a whole zero
	One               // a whole one
	Broken            // no bit: the half is too short or too long for any, or does not go with the one before it
)

// What a decoder must accept (S-9.1, 2020): the limits of a half, how far the halves of a one may differ, and the whole of a zero.
const (
	leastOne  = 52 * time.Microsecond
	mostOne   = 64 * time.Microsecond
	mostApart = 6 * time.Microsecond
	leastZero = 90 * time.Microsecond
	mostZero  = 10_000 * time.Microsecond
	mostWhole = 12_000 * time.Microsecond
)

// Bits finds the bits in a stream of half-bits, as a decoder does: each half is the time between two zero crossings. What it accepts
// is what S-9.1 has a decoder accept. Which rail is positive first is not defined, so a bit may begin with either half: a change
// between ones and zeros can only be where one bit ends and the next begins, and there Bits finds its place. Until the first change it
// may join the second half of one bit to the first of the next, which is of the same kind, and does not hold them against each other.
//
// The zero Bits is ready, and finds its place in a stream that it comes into in the middle of. It allocates nothing.
type Bits struct {
	first  time.Duration // half of the bit that is coming in, or that came last
	open   bool          // a bit is coming in
	kind   Bit           // of the half that came last: Zero, One, or NoBit at the beginning and behind a Broken one
	placed bool          // a change has shown which half begins a bit
	fault  Fault         // of what was Broken last
}

// Half takes the next half and says what it brought to its end.
func (b *Bits) Half(length time.Duration) Bit {
	var kind Bit
	switch {
	case length >= leastOne && length <= mostOne:
		kind = One
	case length >= leastZero && length <= mostZero:
		kind = Zero
	default:
		*b = Bits{fault: faultOf(length)}
		return Broken
	}
	switch {
	case kind != b.kind:
		// The first of a bit. One that is left over is the second of a bit whose first was not seen, or else the signal is broken.
		alone := b.open && b.placed
		b.placed = b.placed || b.kind != NoBit
		b.first, b.open, b.kind = length, true, kind
		if alone {
			b.fault = CutShort
			return Broken
		}
		return NoBit
	case !b.open:
		b.first, b.open = length, true
		return NoBit
	}
	b.open = false
	switch apart := length - b.first; {
	case !b.placed:
	case kind == One && (apart > mostApart || apart < -mostApart):
		b.fault = UnevenOne
		return Broken
	case kind == Zero && b.first+length > mostWhole:
		b.fault = LongZero
		return Broken
	}
	return kind
}

// faultOf says what is wrong with a half that is none of a one and none of a zero.
func faultOf(length time.Duration) Fault {
	if length < leastOne || length > (mostOne+leastZero)/2 && length < leastZero {
		return ShortHalf
	}
	return LongHalf
}
