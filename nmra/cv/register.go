package cv

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/nmra"
)

// The registers that an index page stands behind, and the lowest CV 31 that chooses one: 0 to 15 are reserved (S-9.2.2).
const (
	FirstIndexed nmra.CV = 257
	LastIndexed  nmra.CV = 512
	FirstPage    uint8   = 16
)

// Page is what CV 31 and CV 32 hold to choose what stands in registers 257 to 512 (S-9.2.2). The zero Page is none chosen.
type Page struct{ High, Low uint8 }

// ParsePage reads a page: "16.3" is CV 31 = 16, CV 32 = 3. CV 31 below 16 is refused.
func ParsePage(s string) (Page, error) {
	high, low, ok := strings.Cut(s, ".")
	h, okHigh := number(high, 255)
	l, okLow := number(low, 255)
	if !ok || !okHigh || !okLow {
		return Page{}, &NotationError{s, "an index page: CV 31, a point, CV 32, as 16.3"}
	}
	if h < uint16(FirstPage) {
		return Page{}, &NotationError{s, "an index page with CV 31 from 16 to 255: 0 to 15 are reserved"}
	}
	return Page{High: uint8(h), Low: uint8(l)}, nil
}

// String gives the page as [ParsePage] reads it: "16.3"; "none" for the zero Page.
func (p Page) String() string {
	if p == (Page{}) {
		return "none"
	}
	return fmt.Sprintf("%d.%d", p.High, p.Low)
}

// Compare orders pages by CV 31, then CV 32.
func (p Page) Compare(q Page) int {
	return cmp.Or(cmp.Compare(p.High, q.High), cmp.Compare(p.Low, q.Low))
}

// Register is one configuration variable of a decoder. It is comparable, and a key of [Values].
type Register struct {
	CV   nmra.CV
	Page Page // only with CV 257 to 512; none: whichever page is chosen there
}

// Valid says whether the register can exist: CV 1 to 1024, a page that is not reserved and only where there are pages.
func (r Register) Valid() bool {
	return r.CV.Valid() && (r.Page == Page{} || r.Indexed() && r.Page.High >= FirstPage)
}

// Indexed says whether what the register holds depends on the page that is chosen.
func (r Register) Indexed() bool { return r.CV >= FirstIndexed && r.CV <= LastIndexed }

// String gives the register as [ParseRegister] reads it: "3", "260@16.3".
func (r Register) String() string { return span{r, r.CV}.String() }

// Volatile says whether the register is one of those, 880 to 895, that change as the decoder works (S-9.2.2).
func (r Register) Volatile() bool { return r.CV >= 880 && r.CV <= 895 }

// Compare orders registers by page, those without one first, then by CV.
func (r Register) Compare(s Register) int {
	return cmp.Or(r.Page.Compare(s.Page), cmp.Compare(r.CV, s.CV))
}

// MarshalText gives the register as [ParseRegister] reads it. It refuses one that is not [Register.Valid].
func (r Register) MarshalText() ([]byte, error) {
	if !r.Valid() {
		return nil, fmt.Errorf("register %v does not exist", r)
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads the register as [ParseRegister] does.
func (r *Register) UnmarshalText(text []byte) (err error) {
	*r, err = ParseRegister(string(text))
	return err
}

// Bit is one bit of a register.
type Bit struct {
	Register Register
	Bit      uint8 // 0, the lowest, to 7
}

// String gives the bit as [ParseBit] reads it: "29.5", "260@16.3.5".
func (b Bit) String() string { return fmt.Sprintf("%v.%d", b.Register, b.Bit) }

// Compare orders bits by register, then by number.
func (b Bit) Compare(c Bit) int {
	return cmp.Or(b.Register.Compare(c.Register), cmp.Compare(b.Bit, c.Bit))
}

// Values is what registers hold, or should hold.
type Values map[Register]uint8

// Registers gives the registers in order.
func (v Values) Registers() []Register {
	rs := make([]Register, 0, len(v))
	for r := range v {
		rs = append(rs, r)
	}
	slices.SortFunc(rs, Register.Compare)
	return rs
}

// NotationError is the error of all parsers here: what was found, and what would be right.
type NotationError struct {
	Found string
	Want  string
}

func (e *NotationError) Error() string {
	const most = 40
	found := e.Found
	if len(found) > most {
		found = strings.ToValidUTF8(found[:most], "") + "…"
	}
	return fmt.Sprintf("found %q, want %s", found, e.Want)
}

// ParseRegister reads a register: "3", or "260@16.3" for register 260 on index page CV 31 = 16, CV 32 = 3.
// Digits only: no sign, no space, no leading zero. Errors: [*NotationError].
func ParseRegister(s string) (Register, error) {
	rs, err := parseSpan(s)
	if err != nil {
		return Register{}, err
	}
	if rs.first.CV != rs.last {
		return Register{}, &NotationError{s, "one register, not a range"}
	}
	return rs.first, nil
}

// ParseRange reads one register, or several that follow each other: "3", "67-94", "257-260@16.0". The result ascends.
// Errors: [*NotationError].
func ParseRange(s string) ([]Register, error) {
	sp, err := parseSpan(s)
	if err != nil {
		return nil, err
	}
	return sp.registers(), nil
}

// ParseBit reads a bit: "29.5", or "260@16.3.5" for bit 5 of 260@16.3. Errors: [*NotationError].
func ParseBit(s string) (Bit, error) {
	const want = "a bit from 0 to 7 of a register, as 29.5 or 260@16.3.5"
	cut := strings.LastIndexByte(s, '.')
	if cut < 0 {
		return Bit{}, &NotationError{s, want}
	}
	if register, page, paged := strings.Cut(s, "@"); paged && strings.Count(page, ".") < 2 {
		return Bit{}, &NotationError{s, fmt.Sprintf("a bit of a register on a page, as %s@16.3.5", register)}
	}
	r, err := ParseRegister(s[:cut])
	if err != nil {
		return Bit{}, err
	}
	n, ok := number(s[cut+1:], 7)
	if !ok {
		return Bit{}, &NotationError{s, want}
	}
	return Bit{Register: r, Bit: uint8(n)}, nil
}

// Ranges writes a set of registers in as few words as it can, in order, each as [ParseRange] reads it: "3", "67-94", "257-260@16.0".
// A register that is listed twice counts once.
func Ranges(rs []Register) []string {
	sorted := slices.Clone(rs)
	slices.SortFunc(sorted, Register.Compare)
	var out []string
	for _, s := range spans(slices.Compact(sorted)) {
		out = append(out, s.String())
	}
	return out
}

// Runs splits registers that ascend into runs without a gap, each on one page.
func Runs(ascending []Register) [][]Register {
	var out [][]Register
	for _, s := range spans(ascending) {
		n := int(s.last-s.first.CV) + 1
		out, ascending = append(out, ascending[:n:n]), ascending[n:]
	}
	return out
}

// span is registers that follow each other on one page.
type span struct {
	first Register
	last  nmra.CV
}

func (s span) String() string {
	text := strconv.Itoa(int(s.first.CV))
	if s.last != s.first.CV {
		text += "-" + strconv.Itoa(int(s.last))
	}
	if s.first.Page != (Page{}) {
		text += "@" + s.first.Page.String()
	}
	return text
}

func (s span) registers() []Register {
	rs := make([]Register, 0, s.last-s.first.CV+1)
	for n := s.first.CV; n <= s.last; n++ {
		rs = append(rs, Register{CV: n, Page: s.first.Page})
	}
	return rs
}

func spans(ascending []Register) []span {
	var out []span
	for _, r := range ascending {
		if n := len(out); n > 0 && out[n-1].last+1 == r.CV && out[n-1].first.Page == r.Page {
			out[n-1].last = r.CV
		} else {
			out = append(out, span{r, r.CV})
		}
	}
	return out
}

func parseSpan(s string) (span, error) {
	numbers, page, paged := strings.Cut(s, "@")
	low, high, ranged := strings.Cut(numbers, "-")
	first, ok := number(low, uint16(nmra.MaxCV))
	last := first
	if ranged && ok {
		last, ok = number(high, uint16(nmra.MaxCV))
	}
	switch {
	case !ok || first == 0 || last == 0:
		return span{}, &NotationError{s, "a register: a CV from 1 to 1024, as 3, 67-94 or 260@16.3"}
	case ranged && last <= first:
		return span{}, &NotationError{s, fmt.Sprintf("a range that ascends, or %d alone", first)}
	}
	sp := span{Register{CV: nmra.CV(first)}, nmra.CV(last)}
	if !paged {
		return sp, nil
	}
	if nmra.CV(first) < FirstIndexed || nmra.CV(last) > LastIndexed {
		return span{}, &NotationError{s, "a page on registers 257 to 512 only, where there are pages"}
	}
	p, err := ParsePage(page)
	if err != nil {
		return span{}, err
	}
	sp.first.Page = p
	return sp, nil
}

// number reads up to four decimal digits without sign or leading zero, at most max.
func number(s string, max uint16) (n uint16, ok bool) {
	if s == "" || len(s) > 4 || s[0] == '0' && len(s) > 1 {
		return 0, false
	}
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + uint16(c-'0')
	}
	return n, n <= max
}
