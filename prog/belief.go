package prog

import (
	"math"

	"fettle/nmra"
)

// What a register may be found to be: one of its 256 values, or absent.
const (
	absent     = 256
	hypotheses = 257
)

// levels of noise that are told apart: how often an acknowledgement goes missing, by how often one comes from nowhere. The
// first of each is a clean track. The steps between are coarse, since a level only has to say how often to ask.
var (
	lostLevels  = [...]float64{1e-4, 0.02, 0.05, 0.1, 0.2, 0.35}
	falseLevels = [...]float64{1e-7, 0.01, 0.03, 0.07}
)

const (
	levels = len(lostLevels) * len(falseLevels)

	// cleanTrack is how likely a clean track is held to be before anything has been asked.
	cleanTrack = 0.5

	// credible is the weight from which on a level of noise counts: a value is proven only when it is under each of
	// them. So the bound holds on a noisy track too, not just on the average of all tracks.
	credible = 1e-3

	// leastWeight keeps every level within reach, for a track that gets dirty in the middle of a session.
	leastWeight = 1e-6
)

// noise is how likely each level of noise is, from all registers read so far. It adds up to 1.
type noise [levels]float64

func level(l int) (lost, spurious float64) {
	return lostLevels[l/len(falseLevels)], falseLevels[l%len(falseLevels)]
}

// newNoise is what is believed of a track that nothing is known of.
func newNoise() noise {
	var n noise
	for l := range n {
		n[l] = (1 - cleanTrack) / float64(levels-1)
	}
	n[0] = cleanTrack
	return n
}

// rates are the expected chances that an acknowledgement goes missing and that one comes from nowhere.
func (n noise) rates() (lost, spurious float64) {
	for l, weight := range n {
		a, b := level(l)
		lost += weight * a
		spurious += weight * b
	}
	return lost, spurious
}

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
func (b *belief) expect(prior *[hypotheses]float64, n *noise) {
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

// next is the question that tells most: the byte that is more likely than not, for a verify of it is what proves it in the
// end; else the bit whose answer is most uncertain. Where the mode asks no bits it is the likeliest byte.
func (b *belief) next(bits bool) question {
	best := 0
	for h, p := range b.chance[:absent] {
		if p > b.chance[best] {
			best = h
		}
	}
	if !bits || b.chance[best] > 0.5 {
		return question{whole: true, value: uint8(best)}
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
	q, nearest := question{}, math.Inf(1)
	for bit, one := range ones {
		for value, yes := range [2]float64{present - one, one} {
			if d := math.Abs(yes - 0.5); d < nearest {
				q, nearest = question{bit: uint8(bit), value: uint8(value)}, d
			}
		}
	}
	return q
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
