package sheet

import (
	"cmp"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// Sheet says what there is to know of a type of decoder. The zero Sheet knows nothing, and refuses nothing.
type Sheet struct {
	Title    string
	Decoder  regset.Guard
	From     []string // what it was drawn from, in words
	Groups   []string // the chapters, in the order in which they are read
	Absent   []cv.Register
	Changing []cv.Register // they change by themselves
	Pages    []cv.Page     // the index pages that the decoder has; none: not said
	Entries  []Entry       // in the order of their registers
}

// Entry is one register, or several that follow each other and are told of together.
type Entry struct {
	Registers []cv.Register // ascending, without a gap, on one page
	Name      string        // "" where it has none yet
	Group     string        // one of the sheet's, or ""
	ReadOnly  bool
	Mask      uint8            // the bits that can be changed; 0: all of them
	Fixed     uint8            // what the other bits hold
	Values    []cv.ByteRange   // what can be written, ascending, with gaps between; nil: not said
	Default   []uint8          // what a reset leaves, one for each register; nil: not known
	Held      []uint8          // what was found there, one for each; nil: not known
	Bits      map[uint8]string // names of single bits, by their number
	Note      string
}

// Type is the type of decoder that the sheet is for.
func (s Sheet) Type() regset.Guard { return s.Decoder }

// Entry gives the entry of a register, and which of the entry's registers it is.
func (s Sheet) Entry(r cv.Register) (e Entry, n int, ok bool) {
	at, found := slices.BinarySearchFunc(s.Entries, r, func(e Entry, r cv.Register) int { return e.Registers[0].Compare(r) })
	if !found {
		at--
	}
	if at < 0 || s.Entries[at].Registers[0].Page != r.Page {
		return Entry{}, 0, false
	}
	n = int(r.CV) - int(s.Entries[at].Registers[0].CV)
	if n >= len(s.Entries[at].Registers) {
		return Entry{}, 0, false
	}
	return s.Entries[at], n, true
}

// lacks says, in words, why the decoder does not have a register; "" where the sheet does not say so.
func (s Sheet) lacks(r cv.Register) string {
	if s.isAbsent(r) {
		return "the sheet has it as absent"
	}
	if len(s.Pages) > 0 && !s.hasPage(r.Page) {
		return "page " + r.Page.String() + " is not one of the sheet's"
	}
	return ""
}

func (s Sheet) isAbsent(r cv.Register) bool {
	_, is := slices.BinarySearchFunc(s.Absent, r, cv.Register.Compare)
	return is
}

// hasPage says whether a page is one of the sheet's; no page always is.
func (s Sheet) hasPage(p cv.Page) bool {
	_, is := slices.BinarySearchFunc(s.Pages, p, cv.Page.Compare)
	return is || p == cv.Page{}
}

// Hint says what a register is likely to hold, the likeliest first, or that the decoder does not have it.
func (s Sheet) Hint(r cv.Register) (values []uint8, absent bool) {
	if s.lacks(r) != "" {
		return nil, true
	}
	e, n, _ := s.Entry(r)
	var known []uint8
	switch {
	case r.CV == cv.Maker && s.Decoder.Maker != nil:
		known = append(known, *s.Decoder.Maker)
	case r.CV == cv.Version && s.Decoder.Version != nil:
		known = append(known, *s.Decoder.Version)
	}
	if e.Default != nil {
		known = append(known, e.Default[n])
	}
	if e.Held != nil {
		known = append(known, e.Held[n])
	}
	for _, v := range known {
		if !slices.Contains(values, v) {
			values = append(values, v)
		}
	}
	return values, false
}

// sortEntries puts the entries, and the lists of registers, in order.
func (s *Sheet) sortEntries() {
	slices.SortFunc(s.Entries, func(a, b Entry) int { return a.Registers[0].Compare(b.Registers[0]) })
	slices.SortFunc(s.Absent, cv.Register.Compare)
	slices.SortFunc(s.Changing, cv.Register.Compare)
	slices.SortFunc(s.Pages, cv.Page.Compare)
}

// mask gives the bits that can be changed.
func (e Entry) mask() uint8 { return cmp.Or(e.Mask, 255) }

// takes says whether there is a value that can be written with the given bits of value, the fixed bits left aside.
func (e Entry) takes(mask, value uint8) bool {
	if len(e.Values) == 0 {
		return true
	}
	for _, b := range e.Values {
		for v := int(b.Low); v <= int(b.High); v++ {
			if uint8(v)&mask == value&mask {
				return true
			}
		}
	}
	return false
}

// values says in words what can be written: "0-60, 255".
func (e Entry) values() string {
	words := make([]string, len(e.Values))
	for i, b := range e.Values {
		words[i] = b.String()
	}
	return strings.Join(words, ", ")
}
