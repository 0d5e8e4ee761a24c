package regset

import (
	"fmt"
	"maps"
	"strings"

	"fettle/nmra/cv"
)

// Agreement says how what two files say of a register compares.
type Agreement string

const (
	Same     Agreement = "same"
	Differs  Agreement = "differs"
	OnlyInA  Agreement = "only_in_a" // B says nothing of the register, or of none of the bits that A speaks of
	OnlyInB  Agreement = "only_in_b"
	NotSure  Agreement = "unsure"   // what one of them holds could not be proven
	Changing Agreement = "changing" // it changes by itself, so that no difference counts
)

// Compared is one register of a comparison.
type Compared struct {
	Register  cv.Register
	A, B      Said
	Agreement Agreement
}

// Said is what a file says of a register. The zero Said is nothing.
type Said struct {
	Mask     uint8 // the bits that Value counts in; 255 for the whole register
	Value    uint8
	Whole    bool // Value is that of all bits, though those of Mask alone count
	Absent   bool // the decoder has no such register
	Unsure   bool
	Changing bool
}

// String is the value, or in a word what there is in its place.
func (s Said) String() string {
	switch {
	case s.Absent:
		return "absent"
	case s.Unsure:
		return "unsure"
	case s.Mask == 255, s.Whole:
		return fmt.Sprint(s.Value)
	case s.Mask != 0:
		return "bits"
	case s.Changing:
		return "changing"
	}
	return ""
}

// Comparison is two files, register by register, in order.
type Comparison []Compared

// Compare compares what two files say. The decoder that a file is for counts as what registers 8 and 7 hold. A set asks
// nothing of the registers that it does not name: beside a survey those are left out.
func Compare(a, b File) Comparison {
	saidA, saidB := said(a), said(b)
	_, setA := a.(Set)
	_, setB := b.(Set)
	switch {
	case setA && !setB:
		askedOf(saidB, saidA)
	case setB && !setA:
		askedOf(saidA, saidB)
	}
	registers := cv.Values{}
	for r := range saidA {
		registers[r] = 0
	}
	for r := range saidB {
		registers[r] = 0
	}
	var rows Comparison
	for _, r := range registers.Registers() {
		row := Compared{Register: r, A: saidA[r], B: saidB[r]}
		row.Agreement = row.agreement()
		rows = append(rows, row)
	}
	return rows
}

// askedOf leaves in a survey only the registers and the bits that a set names.
func askedOf(survey, set map[cv.Register]Said) {
	maps.DeleteFunc(survey, func(r cv.Register, _ Said) bool { _, named := set[r]; return !named })
	for r, s := range survey {
		s.Whole, s.Mask = s.Mask == 255, s.Mask&set[r].Mask
		survey[r] = s
	}
}

// Count says how many registers compare so.
func (c Comparison) Count(a Agreement) (n int) {
	for _, row := range c {
		if row.Agreement == a {
			n++
		}
	}
	return n
}

// Same says whether the two files agree in every register that either speaks of, those left aside that change by themselves.
func (c Comparison) Same() bool { return c.Count(Same)+c.Count(Changing) == len(c) }

func (c Compared) agreement() Agreement {
	a, b := c.A, c.B
	common := a.Mask & b.Mask
	switch {
	case a == Said{}:
		return OnlyInB
	case b == Said{}:
		return OnlyInA
	case a.Unsure || b.Unsure:
		return NotSure
	case a.Absent && b.Absent:
		return Same
	case a.Absent || b.Absent:
		return Differs
	case a.Changing || b.Changing:
		return Changing
	case (a.Value^b.Value)&common != 0:
		return Differs
	case a.Mask&^b.Mask != 0:
		return OnlyInA
	case b.Mask&^a.Mask != 0:
		return OnlyInB
	}
	return Same
}

// Words gives the name of the register, and what differs. known is what there is to say of the register: [cv.Explain] has it.
func (c Compared) Words(known cv.Explanation) string {
	return strings.Join(append([]string{known.Name}, c.differences(known.Bits)...), "; ")
}

func (c Compared) differences(named []cv.BitWord) (words []string) {
	switch {
	case c.Agreement == Changing:
		return []string{"it changes by itself"}
	case c.Agreement == NotSure:
		return []string{"not proven"}
	case c.A == Said{}:
		return []string{"only in B"}
	case c.B == Said{}:
		return []string{"only in A"}
	case c.A.Absent || c.B.Absent, c.A.Mask&c.B.Mask == 255 && len(named) == 0:
		return nil
	}
	for n := range uint8(8) {
		a, b := c.A.bit(n), c.B.bit(n)
		if a == b {
			continue
		}
		bit := fmt.Sprintf("bit %d", n)
		for _, word := range named {
			if word.Number == n {
				bit += " " + word.Name
			}
		}
		words = append(words, fmt.Sprintf("%s: %s in A, %s in B", bit, a, b))
	}
	return words
}

// bit says in words what a file says of a bit.
func (s Said) bit(n uint8) string {
	switch {
	case s.Mask>>n&1 == 0:
		return "not named"
	case s.Value>>n&1 == 1:
		return "on"
	}
	return "off"
}

func said(f File) map[cv.Register]Said {
	switch f := f.(type) {
	case Set:
		return f.said()
	case Survey:
		return f.said()
	}
	return nil
}

func (s Set) said() map[cv.Register]Said {
	said := s.Decoder.said()
	values, bits := s.parts()
	for r, v := range values {
		said[r] = Said{Mask: 255, Value: v}
	}
	for b, on := range bits {
		old := said[b.Register]
		old.Mask |= 1 << b.Bit
		old.Value &^= 1 << b.Bit
		if on {
			old.Value |= 1 << b.Bit
		}
		said[b.Register] = old
	}
	return said
}

func (s Survey) said() map[cv.Register]Said {
	said := s.Decoder.said()
	for r, v := range s.Registers {
		said[r] = Said{Mask: 255, Value: v}
	}
	for _, r := range s.Absent {
		said[r] = Said{Absent: true}
	}
	for _, r := range s.Unsure {
		said[r] = Said{Unsure: true}
	}
	for _, r := range s.Changing {
		now := said[r]
		now.Changing = true
		said[r] = now
	}
	return said
}

func (g Guard) said() map[cv.Register]Said {
	said := map[cv.Register]Said{}
	if g.Maker != nil {
		said[cv.Register{CV: cv.Maker}] = Said{Mask: 255, Value: *g.Maker}
	}
	if g.Version != nil {
		said[cv.Register{CV: cv.Version}] = Said{Mask: 255, Value: *g.Version}
	}
	return said
}
