package prog

import (
	"fmt"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/sheet"
)

// trial is a write and what came of it.
type trial struct{ held, value, after uint8 }

// inquiry finds out by which rule a register takes what is written to it, with few writes. It begins with every rule that is either of
// bits or of limits, and strikes out those that a write does not agree with. When one is left, or none, it goes on with those of both
// together, until no write would tell the rules that are left apart. A rule by which the old value could not be written back is
// never thought of.
type inquiry struct {
	old      uint8
	free     uint8 // the bits that may be written; limits are looked for only where all may
	trials   []trial
	obeyed   bool   // a write was acknowledged, which is done when the memory is updated (S-9.2.3)
	rules    []rule // that agree with all trials
	combined bool   // they are of bits and limits together
}

func newInquiry(old, free uint8) *inquiry {
	q := &inquiry{old: old, free: free}
	for m := range 256 {
		if uint8(m)&^free == 0 {
			q.rules = append(q.rules, rule{mask: uint8(m), high: 255})
		}
	}
	if free == 255 {
		q.limits(255)
	}
	return q
}

// limits thinks of all limits, with a mask.
func (q *inquiry) limits(mask uint8) {
	for low := range 256 {
		for high := low; high < 256; high++ {
			for _, refuses := range []bool{false, true} {
				r := rule{mask, uint8(low), uint8(high), refuses}
				if r.limited() && low < high && r.after(^q.old, q.old)&mask == q.old&mask && q.agrees(r) {
					q.rules = append(q.rules, r)
				}
			}
		}
	}
}

func (q *inquiry) agrees(r rule) bool {
	for _, t := range q.trials {
		if r.after(t.held, t.value) != t.after {
			return false
		}
	}
	return true
}

// held is what the register holds now.
func (q *inquiry) held() uint8 {
	if n := len(q.trials); n > 0 {
		return q.trials[n-1].after
	}
	return q.old
}

// changed is the bits that were seen to change.
func (q *inquiry) changed() (mask uint8) {
	for _, t := range q.trials {
		mask |= t.after ^ q.old
	}
	return mask
}

// learn takes in what the register holds after a write, and whether the write was acknowledged.
func (q *inquiry) learn(value, after uint8, acknowledged bool) {
	q.obeyed = q.obeyed || acknowledged
	q.trials = append(q.trials, trial{q.held(), value, after})
	left := q.rules[:0]
	for _, r := range q.rules {
		if q.agrees(r) {
			left = append(left, r)
		}
	}
	q.rules = left
	seen := q.changed()
	// That a register which acknowledges no write is read only is believed without a look at what else it might be.
	if q.combined || q.free != 255 || len(left) > 1 || len(left) == 1 && seen == 0 && !q.obeyed {
		return
	}
	q.combined = true
	for m := 1; m < 255; m++ {
		if seen&^uint8(m) == 0 {
			q.limits(uint8(m))
		}
	}
}

// mostTrials is how many writes to a register, besides that which puts it back, may go into finding its rule: what is stored wears with
// each. Two limits take two bisections of up to 8 each.
const mostTrials = 24

// mostBlank is the same where nothing has changed so far.
const mostBlank = 12

// next is the value to write next. more is false when there is nothing left to find out.
func (q *inquiry) next() (value uint8, more bool) {
	switch {
	case len(q.trials) >= mostTrials, len(q.trials) >= mostBlank && q.changed() == 0:
		return 0, false
	case len(q.trials) == 0:
		// One end tells the bits and the limit on its side.
		if value = 255; q.old&q.free == q.free {
			value = 0
		}
		return q.writable(value), true
	}
	if len(q.rules) == 0 {
		return q.unseen()
	}
	return q.split()
}

// writable gives a value the bits that are not to be written as they are.
func (q *inquiry) writable(value uint8) uint8 { return q.old&^q.free | value&q.free }

// sample is how many rules are enough to choose a write by.
const sample = 4096

// split is the value of which the rules that are left say the most different things.
func (q *inquiry) split() (value uint8, tells bool) {
	held := q.held()
	if value, tells = q.splitFrom(held); !tells && held != q.old {
		// What the register holds by now can't be told from what is refused: the old value is written first.
		_, tells = q.splitFrom(q.old)
		value = q.old
	}
	return value, tells
}

// splitFrom is as split, for a register that holds something.
func (q *inquiry) splitFrom(held uint8) (value uint8, tells bool) {
	rules := q.rules
	if len(rules) > sample {
		rules = nil
		step := len(q.rules)/sample + 1
		for i := 0; i < len(q.rules); i += step {
			rules = append(rules, q.rules[i])
		}
	}
	if value, tells = q.best(held, rules); !tells && len(rules) < len(q.rules) {
		return q.best(held, q.rules)
	}
	return value, tells
}

// best is the value that leaves the least of the rules, on average.
func (q *inquiry) best(held uint8, rules []rule) (value uint8, tells bool) {
	least := 0.0
	for v := range 256 {
		v := uint8(v)
		if v == held || v != q.writable(v) {
			continue
		}
		var outcome [256]float64
		for _, r := range rules {
			outcome[r.after(held, v)] += r.weight()
		}
		left, several := 0.0, 0 // left: times the weight of all
		for _, w := range outcome {
			left += w * w
			if w > 0 {
				several++
			}
		}
		if several > 1 && (!tells || left < least) {
			value, least, tells = v, left, true
		}
	}
	return value, tells
}

// unseen is the old value with one bit the other way, that has not been seen to change: what is left to try where no rule is left.
func (q *inquiry) unseen() (value uint8, more bool) {
	seen := q.changed()
	for n := range 8 {
		v := q.old ^ 1<<n
		if seen>>n&1 == 0 && v == q.writable(v) && !q.tried(v) {
			return v, true
		}
	}
	return 0, false
}

func (q *inquiry) tried(value uint8) bool {
	for _, t := range q.trials {
		if t.value == value {
			return true
		}
	}
	return false
}

// expected is what the register may hold after a write, by the rules that are left.
func (q *inquiry) expected(value uint8) []uint8 {
	held := q.held()
	likely := []uint8{value, held}
	if len(q.rules) > 0 {
		likely = append([]uint8{q.rules[0].after(held, value)}, likely...)
	}
	return likely
}

// rule is the rule that was found; ok is false where none explains what was seen, or several do still.
func (q *inquiry) rule() (r rule, ok bool) {
	if len(q.rules) == 0 {
		return rule{}, false
	}
	if _, open := q.split(); open {
		return rule{}, false
	}
	return q.rules[0], true
}

// finding says what was found out, as a sheet has it.
func (q *inquiry) finding(r cv.Register) sheet.Finding {
	f := sheet.Finding{Register: r, Mask: q.changed(), LeftAlone: ^q.free &^ q.changed()}
	f.Writable = f.Mask != 0
	if found, ok := q.rule(); ok && f.Writable && q.free == 255 {
		f.Values = found.values(q.old)
	}
	return f
}

// words say what the finding of the inquiry leaves open; "" where it leaves nothing.
func (q *inquiry) words(f sheet.Finding) string {
	var said []string
	if f.LeftAlone != 0 {
		said = append(said, bitNames(f.LeftAlone)+" left alone")
	}
	found, ok := q.rule()
	switch {
	case !f.Writable && q.obeyed:
		said = append(said, fmt.Sprintf("it acknowledges writes, but none of %d changed it", len(q.trials)))
	case !f.Writable:
	case !ok:
		said = append(said, "by what rule it takes values could not be made out")
	case found.limited() && f.Values == nil:
		said = append(said, fmt.Sprintf("limits near %d and %d, which cut across its bits", found.low, found.high))
	case found.limited() && found.refuses:
		said = append(said, "any other value leaves it as it was")
	case found.limited():
		said = append(said, "any other value becomes the nearest of these")
	}
	return strings.Join(said, "; ")
}
