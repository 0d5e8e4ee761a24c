package prog

import "fettle/nmra/cv"

// rule is how a register takes what is written to it. Some bits never change; a value outside of its limits is refused, so that the
// register keeps what it held, or the nearest limit is taken in its place.
type rule struct {
	mask      uint8 // the bits that change
	low, high uint8
	refuses   bool
}

// after is what a register that held something holds after a write.
func (r rule) after(held, value uint8) uint8 {
	if r.refuses && (value < r.low || value > r.high) {
		return held
	}
	return held&^r.mask | min(max(value, r.low), r.high)&r.mask
}

// limited says whether there are values that the rule does not let pass as they are, whatever the bits.
func (r rule) limited() bool { return r.low > 0 || r.high < 255 }

// How likely kinds of rules are held to be, to choose what to write next; nothing is concluded from it. Those of some
// bits, and of some limits, share what they have.
const (
	everyValue = 2.0
	readOnly   = 1.0
	someBits   = 1.0
	someLimits = 1.0
	both       = 1e-12 // for each rule of bits and limits
)

func (r rule) weight() float64 {
	switch {
	case r.limited() && r.mask != 255:
		return both
	case r.limited():
		return someLimits / (256 * 256 / 2)
	case r.mask == 0:
		return readOnly
	case r.mask == 255:
		return everyValue
	}
	return someBits / 254
}

// values are those that a register keeps as they are written; nil where they can't be told by limits beside the bits that don't change.
func (r rule) values(old uint8) []cv.ByteRange {
	var kept []uint8
	fits := func(v uint8) bool { return (v^old)&^r.mask == 0 }
	for v := range 256 {
		v := uint8(v)
		if fits(v) && r.after(v, v) == v && (!r.refuses || v >= r.low && v <= r.high) {
			kept = append(kept, v)
		}
	}
	b := cv.ByteRange{Low: kept[0], High: kept[len(kept)-1]} // the old value is one of them
	n := 0
	for v := int(b.Low); v <= int(b.High); v++ {
		if fits(uint8(v)) {
			n++
		}
	}
	if n != len(kept) {
		return nil
	}
	return []cv.ByteRange{b}
}
