package bench

import "fettle/nmra"

// receiver turns bits into packets (S-9.2).
type receiver struct {
	bytes    [nmra.MaxBytes]byte
	n        int
	bits     int // of the byte that is coming in; 8: its end, the start bit of the next or the end bit
	preamble int
	inside   bool
	check    byte
}

func (r *receiver) Bit(one bool) (p nmra.Packet, preamble int, ok bool) {
	switch {
	case !r.inside && one:
		r.preamble++
		return
	case !r.inside && r.preamble < 10:
		r.preamble = 0
		return
	case !r.inside:
		r.inside, r.n, r.bits, r.check = true, 0, 0, 0
		return
	case r.bits < 8:
		b := r.bytes[r.n] << 1
		if one {
			b |= 1
		}
		r.bytes[r.n] = b
		r.bits++
		return
	case !one:
		r.check ^= r.bytes[r.n]
		if r.n++; r.n == nmra.MaxBytes {
			r.inside, r.preamble = false, 0
		}
		r.bits = 0
		return
	}
	preamble = r.preamble
	r.inside, r.preamble = false, 1
	if r.n+1 < nmra.MinBytes || r.bytes[r.n] != r.check {
		return nmra.Packet{}, 0, false
	}
	p, err := nmra.NewPacket(r.bytes[:r.n+1]...)
	return p, preamble, err == nil
}
