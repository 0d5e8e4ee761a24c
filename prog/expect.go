package prog

import (
	"fettle/nmra"
	"fettle/nmra/cv"
)

// chances says how likely each hypothesis of a register is, before it is asked.
type chances [hypotheses]float64

// Hint is what is known of a register from elsewhere: a sheet, the survey of another decoder of the kind.
type Hint struct {
	Values []uint8 // likely values, the likeliest first
	Absent bool    // the kind of decoder does not have it
}

// An expert is one way to guess what a register holds. Each is believed as far as it has been right on this decoder so far.
const (
	tally    = iota // values are as common as they have been so far
	same            // as the register before it
	onward          // as far from the register before it as that from its own: speed tables
	doubled         // twice the register before it: output mapping
	record          // as the same place of the record before, where registers come in records of one length
	standard        // the default that S-9.2.2 gives
	hinted          // what the Hint says
	before          // what this register itself held when it was last read
	experts
)

// How far each expert is believed at first, among those that have something to say.
var firstTrust = [experts]float64{tally: 4, same: 4, onward: 2, doubled: 0.5, record: 1, standard: 2, hinted: 20, before: 40}

const (
	expertSure = 0.9  // an expert that is right all the time is still given no more
	forget     = 0.02 // part of its trust that an expert gets back with each register, so that none is lost for good
	anything   = 0.03 // part that goes to all values alike: proof must never rest on a guess alone
)

// runs is how many lengths of a run of absent registers are told apart: 1, 2, 4 ...
const runs = 6

// longestRecord is up to where a repeated pattern of registers is looked for.
const longestRecord = 16

// knowledge is what a session has learnt of a decoder that helps to guess what it has not read yet.
type knowledge struct {
	found    map[cv.Register]int // a value, or absent
	common   [256]float64        // how often each value was found
	trust    [experts]float64
	length   [longestRecord + 1]float64 // how often of late a record of this length would have repeated itself
	presence [1 + runs][2]float64       // by how many registers before it are absent, none or 2^n: how often one is there, and absent
	hints    [2][2]float64              // the same by whether a hint says absent
}

func newKnowledge() *knowledge {
	k := &knowledge{found: map[cv.Register]int{}, trust: firstTrust}
	for v := range k.common {
		k.common[v] = 0.05 + 2/float64(v+8) // small values are more common than large ones
	}
	k.common[0] += 12
	k.common[1] += 1
	k.common[128] += 0.5
	k.common[255] += 1
	for run := range k.presence { // the longer registers have been absent, the likelier it is that the next one is
		k.presence[run] = [2]float64{1, float64(int(8) << run)}
	}
	k.presence[0] = [2]float64{8, 1}
	k.hints = [2][2]float64{{30, 0.5}, {0.5, 30}}
	return k
}

// guess is the values that an expert names, with their chances, which add up to 1. None: it has nothing to say.
type guess []struct {
	value  uint8
	chance float64
}

func (g guess) of(v int) (p float64) {
	for _, one := range g {
		if int(one.value) == v {
			p += one.chance
		}
	}
	return p
}

// guesses asks each expert, but for the tally.
func (k *knowledge) guesses(r cv.Register, hint Hint) (g [experts]guess) {
	only := func(v int) guess { return guess{{uint8(v), 1}} }
	if last, ok := k.back(r, 1); ok && last < absent {
		g[same] = only(last)
		if last > 0 && last < 128 {
			g[doubled] = only(2 * last)
		}
		if second, ok := k.back(r, 2); ok && second < absent && second != last {
			for off, chance := range [...]float64{0.4, 0.15, 0.15, 0.1, 0.1, 0.05, 0.05} {
				next := 2*last - second + (off+1)/2*(1-off%2*2)
				if next >= 0 && next < absent {
					g[onward] = append(g[onward], guess{{uint8(next), chance}}...)
				}
			}
		}
	}
	length := 2
	for l := range k.length {
		if k.length[l] > k.length[length] {
			length = l
		}
	}
	if last, ok := k.back(r, length); ok && last < absent {
		g[record] = only(last)
	}
	if value := cv.Explain(r).Default; value != nil {
		g[standard] = only(int(*value))
	}
	share := 1.0
	for i, v := range hint.Values {
		if i < len(hint.Values)-1 {
			share /= 2
		}
		g[hinted] = append(g[hinted], guess{{v, share}}...)
	}
	if last, ok := k.found[r]; ok && last < absent {
		g[before] = only(last)
	}
	return g
}

// back is what the register so many before r was found to be, on the same page.
func (k *knowledge) back(r cv.Register, by int) (h int, ok bool) {
	if int(r.CV) <= by {
		return 0, false
	}
	h, ok = k.found[cv.Register{CV: r.CV - nmra.CV(by), Page: r.Page}]
	return h, ok
}

// expect says how likely everything is that a register may be found to be.
func (k *knowledge) expect(r cv.Register, hint Hint) *chances {
	g := k.guesses(r, hint)
	var trusted, named float64
	for e := range g {
		if e == tally || len(g[e]) > 0 {
			trusted += k.trust[e]
		}
	}
	var p chances
	for e := range g {
		for _, one := range g[e] {
			p[one.value] += expertSure * k.trust[e] / trusted * one.chance
			named += expertSure * k.trust[e] / trusted * one.chance
		}
	}
	var all float64
	for _, n := range k.common {
		all += n
	}
	gone := k.absence(r, hint)
	for v := range p[:absent] {
		p[v] += (1 - named) * k.common[v] / all
		p[v] = (1 - gone) * ((1-anything)*p[v] + anything/256)
	}
	p[absent] = gone
	return &p
}

// absence is how likely it is that the decoder does not have a register.
func (k *knowledge) absence(r cv.Register, hint Hint) float64 {
	if last, ok := k.found[r]; ok {
		if last == absent {
			return 0.99
		}
		return 0.001
	}
	switch {
	case hint.Absent:
		return k.hints[1][1] / (k.hints[1][0] + k.hints[1][1])
	case len(hint.Values) > 0:
		return k.hints[0][1] / (k.hints[0][0] + k.hints[0][1])
	case r.CV == 1, r.CV == 7, r.CV == 8, r.CV == 29:
		return 0.02 // every decoder is to have them (S-9.2.2)
	}
	run, ok := k.run(r)
	if !ok {
		return 0.25
	}
	return k.presence[run][1] / (k.presence[run][0] + k.presence[run][1])
}

// run is the row of presence for a register; ok is false where the register before it is not known.
func (k *knowledge) run(r cv.Register) (row int, ok bool) {
	last, ok := k.back(r, 1)
	if !ok || last < absent {
		return 0, ok
	}
	for row = 1; row < runs; row++ {
		if h, known := k.back(r, 1<<row); !known || h < absent {
			break
		}
	}
	return row, true
}

// besidePresent is how likely a register is to be absent when one of its neighbours is there, and the other is not.
const besidePresent = 0.5

// learn takes in what a register was found to be.
func (k *knowledge) learn(r cv.Register, hint Hint, h int) {
	_, again := k.found[r]
	isAbsent := 0
	if h == absent {
		isAbsent = 1
	}
	switch {
	case again:
	case hint.Absent:
		k.hints[1][isAbsent]++
	case len(hint.Values) > 0:
		k.hints[0][isAbsent]++
	default:
		if run, ok := k.run(r); ok {
			k.presence[run][isAbsent]++
		}
	}
	if h < absent {
		k.rate(k.guesses(r, hint), h)
		for l := 2; l <= longestRecord; l++ {
			k.length[l] *= 1 - forget
			if last, ok := k.back(r, l); ok && last == h {
				k.length[l]++
			}
		}
		if !again {
			k.common[h]++
		}
	}
	k.found[r] = h
}

// unlearn takes back what a register was found to be.
func (k *knowledge) unlearn(r cv.Register) { delete(k.found, r) }

// rate moves trust to the experts that were right, by Bayes' rule; the experts that said nothing keep theirs.
func (k *knowledge) rate(g [experts]guess, h int) {
	var all, held, left float64
	for _, n := range k.common {
		all += n
	}
	usual := k.common[h] / all
	for e := range g {
		if e != tally && len(g[e]) == 0 {
			continue
		}
		held += k.trust[e]
		if e != tally {
			k.trust[e] *= expertSure*g[e].of(h) + (1-expertSure)*usual
		} else {
			k.trust[e] *= usual
		}
		left += k.trust[e]
	}
	for e := range g {
		if e == tally || len(g[e]) > 0 {
			k.trust[e] = (1-forget)*k.trust[e]*held/left + forget*firstTrust[e]
		}
	}
}
