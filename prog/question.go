package prog

import (
	"math"
	"time"

	"fettle/nmra"
)

// question is a verify of the whole byte, or of one bit.
type question struct {
	whole bool
	bit   uint8
	value uint8 // of the byte, or 0 or 1 of the bit
}

// yes says whether a register that holds h acknowledges the question.
func (q question) yes(h int) bool {
	switch {
	case h >= absent:
		return false
	case q.whole:
		return h == int(q.value)
	default:
		return uint8(h)>>q.bit&1 == q.value
	}
}

func (q question) access(mode nmra.Mode, cv nmra.CV) nmra.Access {
	if q.whole {
		return nmra.Access{Mode: mode, Operation: nmra.Verify, CV: cv, Value: q.value}
	}
	return nmra.Access{Mode: mode, Operation: nmra.VerifyBit, CV: cv, Bit: q.bit, BitValue: q.value == 1}
}

// Airtime that the choice of a question reckons with, where no question at hand has it.
const (
	perBit = 50 * time.Millisecond // what it takes to learn one bit of information, about
	finish = 34 * time.Millisecond // what the last question takes, the verify of the whole byte that proves it
)

// sureOf is the chance from which on all that is left is to make certain.
const sureOf = 0.9

// cost gives how long a question keeps the track when it is acknowledged, and when not.
type cost func(question) (acknowledged, silent time.Duration)

// next is the question that gets to a proven value soonest on the average, as far as one question ahead shows: what it tells, and
// what it spares, against the airtime of both its answers. Once there is little doubt it is the one that leaves least: for a
// value the verify of its byte, for an absent register the bit that most other values would acknowledge. Where the mode asks
// no bits it is the likeliest byte.
func (b *belief) next(bits bool, airtime cost) question {
	best := 0
	for h, p := range b.chance[:absent] {
		if p > b.chance[best] {
			best = h
		}
	}
	whole := question{whole: true, value: uint8(best)}
	if !bits || b.chance[best] > sureOf {
		return whole
	}
	var ones [8]float64
	var present float64
	for h, p := range b.chance[:absent] {
		present += p
		for bit := range ones {
			if h>>bit&1 == 1 {
				ones[bit] += p
			}
		}
	}
	lost, spurious := b.rates()
	gone := b.chance[absent] > sureOf
	choice, most := whole, math.Inf(-1)
	weigh := func(q question, yes float64) {
		acknowledged, silent := airtime(q)
		answered := yes*(1-lost) + (1-yes)*spurious
		takes := answered*float64(acknowledged) + (1-answered)*float64(silent)
		told := entropy(answered) - yes*entropy(lost) - (1-yes)*entropy(spurious)
		worth := float64(perBit)*told - takes
		if q.whole {
			worth += float64(finish) * yes
		}
		if gone {
			worth = yes / takes
		}
		if worth > most {
			choice, most = q, worth
		}
	}
	weigh(whole, b.chance[best])
	for bit, one := range ones {
		weigh(question{bit: uint8(bit), value: 0}, present-one)
		weigh(question{bit: uint8(bit), value: 1}, one)
	}
	return choice
}

// entropy is how uncertain something is that happens with chance p, in bits.
func entropy(p float64) float64 {
	if p <= 0 || p >= 1 {
		return 0
	}
	return -p*math.Log2(p) - (1-p)*math.Log2(1-p)
}
