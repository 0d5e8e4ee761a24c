package prog

import (
	"math"
	"time"

	"fettle/nmra"
)

// What a register may be found to be: one of its 256 values, or absent.
const (
	absent     = 256
	hypotheses = 257
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

// belief is what is known of one register while it is asked: the joint chance of each hypothesis and each level of noise,
// by Bayes' rule. Registers are independent of each other once the noise is known, so that what one register says of the
// noise is carried to the next (noise), and nothing else.
type belief struct {
	joint        [levels][hypotheses]float64 // adds up to 1
	chance       [hypotheses]float64         // joint, over all levels
	acknowledged [256]bool                   // a verify of this byte has been
	asked        int
}

// expect starts the belief from the chances of each hypothesis, and the noise.
func (b *belief) expect(prior *chances, n *noise) {
	var sum float64
	for _, p := range prior {
		sum += p
	}
	for l := range b.joint {
		for h := range b.joint[l] {
			b.joint[l][h] = n[l] * prior[h] / sum
		}
	}
	b.acknowledged = [256]bool{}
	b.asked = 0
	b.settle()
}

// learn takes in the answer to a question.
func (b *belief) learn(q question, acknowledged bool) {
	b.asked++
	if q.whole && acknowledged {
		b.acknowledged[q.value] = true
	}
	for l := range b.joint {
		lost, spurious := level(l)
		yes, no := 1-lost, spurious
		if !acknowledged {
			yes, no = lost, 1-spurious
		}
		row := &b.joint[l]
		if q.whole {
			held := row[q.value]
			for h := range row {
				row[h] *= no
			}
			row[q.value] = held * yes
		} else {
			factor := [2]float64{no, no}
			factor[q.value&1] = yes
			for h := range row[:absent] {
				row[h] *= factor[uint8(h)>>q.bit&1]
			}
			row[absent] *= no
		}
	}
	b.settle()
}

// settle makes joint add up to 1 and chance agree with it.
func (b *belief) settle() {
	b.chance = [hypotheses]float64{}
	for l := range b.joint {
		for h, p := range b.joint[l] {
			b.chance[h] += p
		}
	}
	var sum float64
	for _, p := range b.chance {
		sum += p
	}
	scale := 1 / sum
	for l := range b.joint {
		for h := range b.joint[l] {
			b.joint[l][h] *= scale
		}
	}
	for h := range b.chance {
		b.chance[h] *= scale
	}
}

// noise is what the answers so far leave to be believed of the noise.
func (b *belief) noise() noise {
	var n noise
	var sum float64
	for l := range b.joint {
		for _, p := range b.joint[l] {
			n[l] += p
		}
		n[l] = max(n[l], leastWeight)
		sum += n[l]
	}
	for l := range n {
		n[l] /= sum
	}
	return n
}

// Airtime that the choice of a question reckons with, where no question at hand has it.
const (
	perBit = 45 * time.Millisecond // what it takes to learn one bit of information, about
	finish = 34 * time.Millisecond // what the last question takes, the verify of the whole byte that proves it
)

// sureOf is the chance from which on all that is left is to make certain.
const sureOf = 0.9

// cost gives how long a question keeps the track when it is acknowledged, and when not.
type cost func(question) (acknowledged, silent time.Duration)

// next is the question that gets to a proven value soonest on the average, as far as one question ahead shows: what it
// tells, and what it spares, against the airtime of both its answers. Once there is little doubt it is the one that leaves least: for a value the
// verify of its byte, for an absent register the bit that most other values would acknowledge. Where the mode asks no
// bits it is the likeliest byte.
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

// rates are the chances that an acknowledgement goes missing, and that one comes from nowhere.
func (b *belief) rates() (lost, spurious float64) {
	n := b.noise()
	return n.rates()
}

// proven says which hypothesis has a chance of being wrong of at most bound, on the average and under every credible level
// of noise. A value has also been acknowledged as a whole byte.
func (b *belief) proven(bound float64) (h int, ok bool) {
	for i, p := range b.chance {
		if p > b.chance[h] {
			h = i
		}
	}
	if h < absent && !b.acknowledged[h] || b.others(h) > bound {
		return h, false
	}
	for l := range b.joint {
		var weight, wrong float64
		for i, p := range b.joint[l] {
			weight += p
			if i != h {
				wrong += p
			}
		}
		if weight >= credible && wrong > bound*weight {
			return h, false
		}
	}
	return h, true
}

// others is the chance of all hypotheses but h; summed up, since 1 - chance would lose its digits.
func (b *belief) others(h int) float64 {
	var sum float64
	for i, p := range b.chance {
		if i != h {
			sum += p
		}
	}
	return sum
}
