package sheet

import (
	"fmt"
	"strconv"
	"strings"

	"fettle/nmra/cv"
)

// Refuse says why a register can't be given the bits of value that mask has, as "found ..., want ..."; "" where nothing in the sheet is
// against it.
func (s Sheet) Refuse(r cv.Register, mask, value uint8) string {
	if why := s.lacks(r); why != "" {
		return fmt.Sprintf("found register %v, want one that the decoder has: %s", r, why)
	}
	e, n, ok := s.Entry(r)
	if !ok {
		return ""
	}
	what := fmt.Sprintf("%d in register %v", value, r)
	if mask != 255 {
		what = "bits of register " + r.String()
	}
	if name := e.nameOf(n); name != "" {
		what += ", " + name
	}
	stuck := (value ^ e.Fixed) & mask &^ e.mask()
	switch {
	case e.ReadOnly:
		return fmt.Sprintf("found %s, want it left out: it is read only", what)
	case mask == 255 && !e.takes(mask, value) && len(e.Bits) == 0 && len(cv.Explain(r).Bits) == 0: // of a number, that says more than bits
		return fmt.Sprintf("found %s, want %s", what, e.values())
	case stuck != 0:
		return fmt.Sprintf("found %s, want %s: nothing changes that", what, bitsAs(stuck, e.Fixed))
	case !e.takes(mask, value):
		return fmt.Sprintf("found %s, want %s", what, e.values())
	}
	return ""
}

// bitsAs says how the bits of a mask stand: "bit 6 on", "bits 3, 7 off", "bit 0 off, bit 6 on".
func bitsAs(mask, fixed uint8) string {
	var words []string
	if off := mask &^ fixed; off != 0 {
		words = append(words, bitsOf(off)+" off")
	}
	if on := mask & fixed; on != 0 {
		words = append(words, bitsOf(on)+" on")
	}
	return strings.Join(words, ", ")
}

// bitsOf names the bits of a mask: "bit 6", "bits 3, 7".
func bitsOf(mask uint8) string {
	var numbers []string
	for n := range 8 {
		if mask>>n&1 == 1 {
			numbers = append(numbers, strconv.Itoa(n))
		}
	}
	noun := "bit "
	if len(numbers) > 1 {
		noun = "bits "
	}
	return noun + strings.Join(numbers, ", ")
}
