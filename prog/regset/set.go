package regset

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

// Set is a register set: what registers are to hold. The zero Set wants nothing.
type Set struct {
	Title     string
	Decoder   Guard
	Address   nmra.Address // short or long; the zero Address: the set leaves it alone
	Registers cv.Values
	Bits      map[cv.Bit]bool // single bits, whose registers keep the others
}

// Guard is the kind of decoder that a file is for, or was read from: its maker's number, CV 8, and its version, CV 7. nil is any.
type Guard struct {
	Maker   *uint8
	Version *uint8
}

// String says which decoder: "maker 13, version 34".
func (g Guard) String() string {
	var words []string
	if g.Maker != nil {
		words = append(words, fmt.Sprintf("maker %d", *g.Maker))
	}
	if g.Version != nil {
		words = append(words, fmt.Sprintf("version %d", *g.Version))
	}
	if words == nil {
		return "any decoder"
	}
	return strings.Join(words, ", ")
}

// And gives the kind of decoder that both are for. ok is false where there is none.
func (g Guard) And(h Guard) (both Guard, ok bool) {
	maker, sameMaker := agreed(g.Maker, h.Maker)
	version, sameVersion := agreed(g.Version, h.Version)
	return Guard{maker, version}, sameMaker && sameVersion
}

func agreed(a, b *uint8) (*uint8, bool) {
	if a == nil || b == nil {
		return cmp.Or(a, b), true
	}
	return a, *a == *b
}

// Terms is what is known of the type of decoder that a file is for: the names of its registers, and what they take. nil is nothing.
type Terms interface {
	Type() Guard
	ParseRange(name string) ([]cv.Register, error)
	ParseBit(name string) (cv.Bit, error)
	// Refuse says why a register can't be given the bits of value that mask has, as "found ..., want ..."; "" where it can.
	Refuse(r cv.Register, mask, value uint8) string
}

// Read reads a register set from a file. Errors: *regtoml.Errors, with the place of each; those of opening the file.
func Read(path string) (Set, error) { return read(path, Parse) }

// ReadFor is as [Read], with [ParseFor].
func ReadFor(path string, terms Terms) (Set, error) {
	return read(path, func(file string, data []byte) (Set, error) { return ParseFor(file, data, terms) })
}

// Parse reads a register set from the text of a file. Errors: *regtoml.Errors, with the place of each.
func Parse(file string, data []byte) (Set, error) { return ParseFor(file, data, nil) }

// ParseFor is as [Parse]: the set may use the names of the terms, what they refuse is an error, and it is for their type of decoder.
func ParseFor(file string, data []byte, terms Terms) (Set, error) {
	doc, err := syntax(file, data, terms)
	if err != nil {
		return Set{}, err
	}
	root := doc.Root()
	parseFormat(root)
	var s Set
	s.Title, _ = root.String("title")
	s.Decoder = guard(root, terms)
	if t, ok := root.Table("address"); ok {
		s.Address = parseAddress(t)
	}
	s.Registers, _ = root.Values("registers")
	s.Bits, _ = root.Bits("bits")
	if len(s.Needs()) == 0 && doc.Err() == nil {
		root.Errorf("", "found nothing to set, want something in [address], [registers] or [bits]")
	}
	for _, p := range s.problems(terms) {
		switch p.table {
		case "registers":
			root.RegisterErrorf(p.table, p.register, "%s", p.text)
		case "bits":
			root.BitErrorf(p.table, cv.Bit{Register: p.register, Bit: p.bit}, "%s", p.text)
		default:
			root.Errorf(p.table, "%s", p.text)
		}
	}
	if err := doc.Err(); err != nil {
		return Set{}, err
	}
	return s, nil
}

// syntax reads the syntax of a file whose registers may have names.
func syntax(file string, data []byte, terms Terms) (*regtoml.Document, error) {
	if terms == nil {
		return regtoml.Parse(file, data)
	}
	return regtoml.ParseWith(file, data, regtoml.Notation{Range: terms.ParseRange, Bit: terms.ParseBit})
}

// guard reads which decoder a file is for, and refuses a type that is not that of the terms.
func guard(root *regtoml.Table, terms Terms) Guard {
	g := ParseGuard(root)
	if terms == nil {
		return g
	}
	both, ok := g.And(terms.Type())
	if !ok {
		root.Errorf("decoder", "found %v, want %v, for which the sheet is", g, terms.Type())
	}
	return both
}

func parseAddress(t *regtoml.Table) nmra.Address {
	long, isLong := t.Int("long", 0, nmra.MaxLong)
	short, isShort := t.Int("short", 1, nmra.MaxShort)
	switch {
	case t.Has("long") && t.Has("short"):
		t.Errorf("short", "found a short address beside a long one, want one of the two")
	case isLong:
		return nmra.Address{Kind: nmra.Long, Number: uint16(long)}
	case isShort:
		return nmra.Address{Kind: nmra.Short, Number: uint16(short)}
	case !t.Has("long") && !t.Has("short"):
		t.Errorf("", "found no address, want long = 0 to %d, or short = 1 to %d", nmra.MaxLong, nmra.MaxShort)
	}
	return nmra.Address{}
}

// Unknown is the error of a set that wants single bits of registers whose other bits are not known.
type Unknown struct{ Registers []cv.Register }

func (e Unknown) Error() string {
	return fmt.Sprintf("the set wants single bits of %s, but what the decoder holds there is not known: leave them out, or give the whole register",
		strings.Join(cv.Ranges(e.Registers), ", "))
}

// Wanted gives the bytes that the set asks for, address and single bits included, for a decoder that holds what held says. A
// long address becomes CV 17 and 18 and bit 5 of CV 29, a short one CV 1 and the same bit off (S-9.2.2). Of held it uses only
// the registers that the set wants single bits of. Errors: [Unknown], and what [Parse] would refuse.
func (s Set) Wanted(held cv.Values) (cv.Values, error) {
	if err := s.Refused(nil); err != nil {
		return nil, err
	}
	wanted, bits := s.parts()
	var unknown []cv.Register
	for b, on := range bits {
		old, ok := wanted[b.Register]
		if !ok {
			old, ok = held[b.Register]
		}
		if !ok {
			unknown = append(unknown, b.Register)
		}
		wanted[b.Register] = old &^ (1 << b.Bit)
		if on {
			wanted[b.Register] = old | 1<<b.Bit
		}
	}
	if unknown != nil {
		return nil, Unknown{unknown}
	}
	return wanted, nil
}

// Refused gives all that [ParseFor] would refuse of the set's registers, bits and address; nil where that is nothing.
func (s Set) Refused(terms Terms) error {
	var wrong []error
	for _, p := range s.problems(terms) {
		wrong = append(wrong, errors.New(p.text))
	}
	return errors.Join(wrong...)
}

// Needs gives the registers that [Set.Wanted] speaks of, in order: those that the set may change, single bits and address included.
func (s Set) Needs() []cv.Register {
	values, bits := s.parts()
	for b := range bits {
		values[b.Register] = 0
	}
	return values.Registers()
}

// parts gives the whole registers and the single bits that the set asks for, with those of its address. Both are copies.
func (s Set) parts() (cv.Values, map[cv.Bit]bool) {
	values, bits := cv.Values{}, map[cv.Bit]bool{}
	maps.Copy(values, s.Registers)
	maps.Copy(bits, s.Bits)
	switch s.Address.Kind {
	case nmra.Long:
		high, low, _ := cv.LongAddress(s.Address.Number)
		values[cv.Register{CV: cv.ExtendedHigh}], values[cv.Register{CV: cv.ExtendedLow}] = high, low
		bits[extendedAddress] = true
	case nmra.Short:
		values[cv.Register{CV: cv.PrimaryAddress}] = uint8(s.Address.Number)
		bits[extendedAddress] = false
	}
	return values, bits
}

// named gives all that the set names one by one, in order.
func (s Set) named() []named {
	var all []named
	for r := range s.Registers {
		all = append(all, named{table: "registers", register: r})
	}
	for b := range s.Bits {
		all = append(all, named{table: "bits", register: b.Register, bit: b.Bit})
	}
	slices.SortFunc(all, named.compare)
	return all
}
