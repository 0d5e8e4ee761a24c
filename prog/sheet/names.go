package sheet

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"fettle/nmra/cv"
)

// mostName is the length of the longest name, in bytes: one that still leaves room beside it on a screen.
const mostName = 60

// wrongName says in words what a name has to be, "" where it is right: it can't be taken for a number, and nothing in it means
// something in a register's notation, on a command line or in a file.
func wrongName(name string) string {
	const inside = "-'(),/+&%"
	if len(name) > mostName {
		return fmt.Sprintf("at most %d letters", mostName)
	}
	for i, c := range name {
		if i == 0 && !unicode.IsLetter(c) {
			return "a name that begins with a letter: what begins with a digit is a register's number"
		}
		if !unicode.IsLetter(c) && !unicode.IsDigit(c) && c != ' ' && !strings.ContainsRune(inside, c) {
			return fmt.Sprintf("letters, digits, spaces and %s: %q means something else in the notation", inside, c)
		}
	}
	if name == "" || strings.HasSuffix(name, " ") || strings.Contains(name, "  ") {
		return "a name of words with one space between"
	}
	return ""
}

// nameOf is the name of one register of the entry: its own where the entry is of several.
func (e Entry) nameOf(n int) string {
	if e.Name == "" || len(e.Registers) == 1 {
		return e.Name
	}
	return e.Name + " " + strconv.Itoa(n+1)
}

// numbered says whether text is a register's number rather than a name.
func numbered(text string) bool {
	first, _ := utf8.DecodeRuneInString(text)
	return !unicode.IsLetter(first)
}

// ParseRange reads what cv.ParseRange does, and the sheet's names: of a register, of several, or of one of these, as "speed table 3".
// Errors: *cv.NotationError.
func (s Sheet) ParseRange(text string) ([]cv.Register, error) {
	if numbered(text) || s.Entries == nil {
		return cv.ParseRange(text)
	}
	for _, e := range s.Entries {
		if e.Name == text {
			return e.Registers, nil
		}
		rest, is := strings.CutPrefix(text, e.Name+" ")
		if n, err := strconv.Atoi(rest); is && e.Name != "" && err == nil && n >= 1 && n <= len(e.Registers) && e.nameOf(n-1) == text {
			return e.Registers[n-1 : n], nil
		}
	}
	return nil, &cv.NotationError{Found: text, Want: "a register, as 3 or 67-94, or a name of the sheet" + s.near(text)}
}

// near gives the name that begins most like text, where one does.
func (s Sheet) near(text string) string {
	const least = 3
	best, most := "", least-1
	for _, e := range s.Entries {
		if n := common(strings.ToLower(text), strings.ToLower(e.Name)); n > most {
			best, most = e.Name, n
		}
	}
	if best == "" {
		return ""
	}
	return "; near it: " + best
}

// common counts the bytes that a and b begin with alike.
func common(a, b string) (n int) {
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}

// ParseBit reads what cv.ParseBit does, and the sheet's names: REG.n and REG.NAME, where REG may be a name too. Errors:
// *cv.NotationError.
func (s Sheet) ParseBit(text string) (cv.Bit, error) {
	bit, notation := cv.ParseBit(text)
	cut := strings.LastIndexByte(text, '.')
	if notation == nil || cut < 0 || numbered(text) && numbered(text[cut+1:]) || s.Entries == nil {
		return bit, notation
	}
	rs, err := s.ParseRange(text[:cut])
	switch {
	case err != nil:
		return cv.Bit{}, err
	case len(rs) > 1:
		return cv.Bit{}, &cv.NotationError{Found: text, Want: fmt.Sprintf("one register, as %q, not several", text[:cut]+" 1")}
	}
	name := text[cut+1:]
	if len(name) == 1 && name >= "0" && name <= "7" {
		return cv.Bit{Register: rs[0], Bit: name[0] - '0'}, nil
	}
	e, _, _ := s.Entry(rs[0])
	for n, bitName := range e.Bits {
		if bitName == name {
			return cv.Bit{Register: rs[0], Bit: n}, nil
		}
	}
	return cv.Bit{}, &cv.NotationError{Found: text, Want: fmt.Sprintf("a bit of %s: its number, 0 to 7, or the name that the sheet gives it", text[:cut])}
}
