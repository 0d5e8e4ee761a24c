package regset

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// extendedAddress is the bit that chooses between the short address and the long one.
var extendedAddress = cv.Bit{Register: cv.Register{CV: cv.Configuration}, Bit: cv.ExtendedAddressBit}

// named is a register or a bit, where a set names it: in its table "registers" or "bits".
type named struct {
	table    string
	register cv.Register
	bit      uint8
}

func (n named) compare(m named) int {
	return cmp.Or(n.register.Compare(m.register), -strings.Compare(n.table, m.table), cmp.Compare(n.bit, m.bit))
}

func (n named) String() string {
	if n.table == "bits" {
		return "bit " + cv.Bit{Register: n.register, Bit: n.bit}.String()
	}
	return "register " + n.register.String()
}

// problem is what is wrong with a set, and where: at what it names, or in the table "address".
type problem struct {
	named
	text string
}

// problems finds what a set must not say: what is never written, what contradicts itself, what no decoder can hold, and what the terms,
// which may be nil, refuse.
func (s Set) problems(terms Terms) []problem {
	var found []problem
	note := func(at named, format string, args ...any) {
		found = append(found, problem{at, fmt.Sprintf(format, args...)})
	}
	switch a := s.Address; {
	case a == nmra.Address{}:
	case a.Kind != nmra.Short && a.Kind != nmra.Long, !a.Valid():
		note(named{table: "address"}, "found %v, want a long address from 0 to %d or a short one from 1 to %d", a, nmra.MaxLong, nmra.MaxShort)
	}
	all := s.named()
	indexed := slices.ContainsFunc(all, func(n named) bool { return n.register.Indexed() })
	for _, n := range all {
		value, whole := s.Registers[n.register]
		switch c := n.register.CV; {
		case !n.register.Valid() || n.bit > 7:
			note(n, "found %v, want one that can exist", n)
		case n.table == "bits" && whole:
			note(n, "found %v, want it in one place: the whole register is under [registers]", n)
		case c == cv.Version, c == cv.Maker:
			note(n, "found %v, want it left out: 7 and 8 say what the decoder is, and are never written", n)
		case c == cv.PrimaryAddress && whole && (value < 1 || value > nmra.MaxShort):
			note(n, "found %d in register 1, want a short address from 1 to %d", value, nmra.MaxShort)
		case n.table == "bits" && (c == cv.PrimaryAddress || c == cv.ExtendedHigh || c == cv.ExtendedLow):
			note(n, "found %v, want [address], or whole registers: an address is one number", n)
		case (c == cv.IndexHigh || c == cv.IndexLow) && indexed:
			note(n, "found %v in a set with registers of 257 to 512, want their page in their names, as 260@16.3", n)
		}
		if s.Address != (nmra.Address{}) {
			s.besideAddress(n, note)
		}
	}
	if len(found) == 0 && terms != nil {
		s.refusals(terms, note)
	}
	return found
}

// refusals finds what a decoder of the terms' type can't be given.
func (s Set) refusals(terms Terms, note func(named, string, ...any)) {
	refuse := func(at named, mask, value uint8) {
		if text := terms.Refuse(at.register, mask, value); text != "" {
			note(at, "%s", text)
		}
	}
	for _, n := range s.named() {
		if n.table == "registers" {
			refuse(n, 255, s.Registers[n.register])
		} else {
			refuse(n, 1<<n.bit, onOff(s.Bits[cv.Bit{Register: n.register, Bit: n.bit}])<<n.bit)
		}
	}
	values, bits := Set{Address: s.Address}.parts()
	for _, r := range values.Registers() {
		refuse(named{table: "address", register: r}, 255, values[r])
	}
	for b, on := range bits {
		refuse(named{table: "address", register: b.Register}, 1<<b.Bit, onOff(on)<<b.Bit)
	}
}

func onOff(on bool) uint8 {
	if on {
		return 1
	}
	return 0
}

// besideAddress finds what says the address a second time.
func (s Set) besideAddress(n named, note func(named, string, ...any)) {
	long := s.Address.Kind == nmra.Long
	switch c := n.register.CV; {
	case c == cv.PrimaryAddress, c == cv.ExtendedHigh, c == cv.ExtendedLow,
		n == named{table: "bits", register: extendedAddress.Register, bit: extendedAddress.Bit}:
		note(n, "found %v beside [address], want the address in one place", n)
	case n.register == extendedAddress.Register && n.table == "registers" && (s.Registers[n.register]>>extendedAddress.Bit&1 == 1) != long:
		want := "off: the address is short"
		if long {
			want = "on: the address is long"
		}
		note(n, "found %d in register 29, want its bit 5 %s", s.Registers[n.register], want)
	}
}
