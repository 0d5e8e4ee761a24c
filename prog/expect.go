package prog

import (
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
	standard        // the default that S-9.2.2 gives
	hinted          // what the Hint says
	before          // what this register itself held when it was last read
	experts
)

// How far each expert is believed at first, among those that have something to say.
var firstTrust = [experts]float64{tally: 4, same: 4, onward: 2, doubled: 0.5, standard: 2, hinted: 20, before: 40}

const (
	expertSure = 0.9  // an expert that is right all the time is still given no more
	forget     = 0.02 // part of its trust that an expert gets back with each register, so that none is lost for good
	anything   = 0.03 // part that goes to all values alike: proof must never rest on a guess alone
)

// knowledge is what a session has learnt of a decoder that helps to guess what it has not read yet.
type knowledge struct {
	found    map[cv.Register]int // a value, or absent
	common   [256]float64        // how often each value was found
	trust    [experts]float64
	presence [2][2]float64 // by whether the register before it is absent: how often one is there, and absent
	hints    [2][2]float64 // the same by whether a hint says absent
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
	k.presence = [2][2]float64{{8, 1}, {1, 8}}
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
	previous := cv.Register{CV: r.CV - 1, Page: r.Page}
	if last, ok := k.found[previous]; ok && last < absent {
		g[same] = only(last)
		if last > 0 && last < 128 {
			g[doubled] = only(2 * last)
		}
		previous.CV--
		if second, ok := k.found[previous]; ok && second < absent && second != last {
			for off, chance := range [...]float64{0.4, 0.15, 0.15, 0.1, 0.1, 0.05, 0.05} {
				next := 2*last - second + (off+1)/2*(1-off%2*2)
				if next >= 0 && next < absent {
					g[onward] = append(g[onward], guess{{uint8(next), chance}}...)
				}
			}
		}
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
	row := -1
	switch {
	case hint.Absent:
		return k.hints[1][1] / (k.hints[1][0] + k.hints[1][1])
	case len(hint.Values) > 0:
		return k.hints[0][1] / (k.hints[0][0] + k.hints[0][1])
	case r.CV == 1, r.CV == 7, r.CV == 8, r.CV == 29:
		return 0.02 // every decoder is to have them (S-9.2.2)
	}
	if last, ok := k.found[cv.Register{CV: r.CV - 1, Page: r.Page}]; ok {
		row = 0
		if last == absent {
			row = 1
		}
	}
	if row < 0 {
		return 0.25
	}
	return k.presence[row][1] / (k.presence[row][0] + k.presence[row][1])
}

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
		if last, ok := k.found[cv.Register{CV: r.CV - 1, Page: r.Page}]; ok {
			row := 0
			if last == absent {
				row = 1
			}
			k.presence[row][isAbsent]++
		}
	}
	if h < absent {
		k.rate(k.guesses(r, hint), h)
		if !again {
			k.common[h]++
		}
	}
	k.found[r] = h
}

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
