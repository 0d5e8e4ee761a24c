package sheet

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
)

// Explanation is what a sheet says of a register, and of a value in it, for people and as JSON.
type Explanation struct {
	Register cv.Register  `json:"register"`
	Name     string       `json:"name,omitempty"`
	Group    string       `json:"group,omitempty"`
	Absent   bool         `json:"absent"`
	Changing bool         `json:"changing"`
	ReadOnly bool         `json:"read_only"`
	Mask     uint8        `json:"mask"` // the bits that can be changed
	Values   string       `json:"values,omitempty"`
	Default  *uint8       `json:"default,omitempty"`
	Held     *uint8       `json:"held,omitempty"`
	Value    *uint8       `json:"value,omitempty"`
	Refused  string       `json:"refused,omitempty"` // why the value can't be written
	Bits     []cv.BitWord `json:"bits,omitempty"`
	Note     string       `json:"note,omitempty"`
}

// Explain says what the sheet has of a register; false where that is nothing.
func (s Sheet) Explain(r cv.Register) (Explanation, bool) {
	e, n, told := s.Entry(r)
	x := Explanation{
		Register: r, Name: e.nameOf(n), Group: e.Group, Absent: s.lacks(r) != "", Changing: s.isChanging(r), ReadOnly: e.ReadOnly,
		Mask: e.mask(), Values: e.values(), Note: e.Note,
	}
	if e.Default != nil {
		x.Default = &e.Default[n]
	}
	if e.Held != nil {
		x.Held = &e.Held[n]
	}
	for bit := range uint8(8) {
		if name, named := e.Bits[bit]; named {
			x.Bits = append(x.Bits, cv.BitWord{Number: bit, Name: name})
		}
	}
	return x, told || x.Absent || x.Changing
}

// ExplainValue is as [Sheet.Explain], of a register that holds v.
func (s Sheet) ExplainValue(r cv.Register, v uint8) (Explanation, bool) {
	x, told := s.Explain(r)
	x.Value = &v
	x.Refused = s.Refuse(r, 255, v)
	for i := range x.Bits {
		set := v>>x.Bits[i].Number&1 == 1
		x.Bits[i].Set = &set
	}
	return x, told
}

func (s Sheet) isChanging(r cv.Register) bool {
	_, is := slices.BinarySearchFunc(s.Changing, r, cv.Register.Compare)
	return is
}

// Lines gives the explanation as lines of text, the first naming the register, the value and what is fixed of them.
func (x Explanation) Lines() []string {
	first := "register " + x.Register.String()
	if x.Value != nil {
		first += fmt.Sprintf(" = %d", *x.Value)
	}
	var facts []string
	for _, fact := range []struct {
		is    bool
		words string
	}{
		{x.Name != "", x.Name}, {x.Name == "" && !x.Absent, "without a name"}, {x.Group != "", "group " + x.Group},
		{x.Absent, "not in this type of decoder"}, {x.Changing, "changes by itself"}, {x.ReadOnly, "read only"},
		{x.Values != "", "takes " + x.Values}, {!x.ReadOnly && x.Mask != 255, "only " + bitsOf(x.Mask) + " can be changed"},
	} {
		if fact.is {
			facts = append(facts, fact.words)
		}
	}
	if x.Default != nil {
		facts = append(facts, fmt.Sprintf("%d after a reset", *x.Default))
	}
	if x.Held != nil {
		facts = append(facts, fmt.Sprintf("held %d", *x.Held))
	}
	lines := []string{first + ": " + strings.Join(facts, ", ")}
	if x.Note != "" {
		lines = append(lines, x.Note)
	}
	if x.Refused != "" {
		lines = append(lines, "It can't be written: "+x.Refused+".")
	}
	for _, b := range x.Bits {
		state := ""
		if b.Set != nil {
			state = " off"
			if *b.Set {
				state = " on"
			}
		}
		lines = append(lines, fmt.Sprintf("bit %d%s: %s", b.Number, state, b.Name))
	}
	return lines
}

// Named gives what the standard says of a register, under the sheet's names for the register and its bits where it has them.
func (s Sheet) Named(r cv.Register) cv.Explanation {
	x, _ := s.Explain(r)
	known := cv.Explain(r)
	if x.Name != "" {
		known.Name = x.Name
	}
	for _, named := range x.Bits {
		at := slices.IndexFunc(known.Bits, func(b cv.BitWord) bool { return b.Number == named.Number })
		if at < 0 {
			known.Bits = append(known.Bits, named)
		} else {
			known.Bits[at].Name = named.Name
		}
	}
	return known
}
