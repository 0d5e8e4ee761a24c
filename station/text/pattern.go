package text

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// maxPattern is the length of the longest pattern, in characters. Matching takes time that is linear in it and in the line.
const maxPattern = 200

// pattern is what a whole line must look like. Its named parts are numbers.
type pattern struct {
	text  string
	exp   *regexp.Regexp
	parts []part
}

// part is a named part of a pattern: "value_hex" is the number value, in base 16.
type part struct {
	group int
	name  string
	base  int
}

// bases are what the name of a part may end in.
var bases = map[string]int{"_hex": 16, "_binary": 2}

// parsePattern reads a pattern whose parts are out of allowed.
func parsePattern(s string, allowed []string) (*pattern, error) {
	if len(s) > maxPattern {
		return nil, fmt.Errorf("found a pattern of %d characters, want at most %d", len(s), maxPattern)
	}
	if _, err := regexp.Compile(s); err != nil { // as it stands, so that a stray ) is not taken for ours
		return nil, fmt.Errorf("found what is no pattern: %w; want a regular expression as Go has it", err)
	}
	exp, err := regexp.Compile(`\A(?:` + s + `)\z`)
	if err != nil {
		return nil, fmt.Errorf("found what is no pattern: %w; want a regular expression as Go has it", err)
	}
	p := &pattern{text: s, exp: exp}
	for group, named := range exp.SubexpNames() {
		if named == "" {
			continue
		}
		one := part{group, named, 10}
		for suffix, base := range bases {
			if name, ok := strings.CutSuffix(named, suffix); ok {
				one.name, one.base = name, base
			}
		}
		switch {
		case !slices.Contains(allowed, one.name) && len(allowed) == 0:
			return nil, fmt.Errorf("found the part %s, want no named parts here", named)
		case !slices.Contains(allowed, one.name):
			return nil, fmt.Errorf("found the part %s, want one of %s, or with _hex or _binary after it", named, strings.Join(allowed, ", "))
		case p.has(one.name):
			return nil, fmt.Errorf("found the part %s a second time, want it once", one.name)
		}
		p.parts = append(p.parts, one)
	}
	return p, nil
}

func (p *pattern) has(name string) bool {
	return slices.ContainsFunc(p.parts, func(one part) bool { return one.name == name })
}

// match says whether the pattern takes a line, and gives its parts. Errors: a part that is no number.
func (p *pattern) match(line string) (parts map[string]int, ok bool, err error) {
	found := p.exp.FindStringSubmatch(line)
	if found == nil {
		return nil, false, nil
	}
	parts = make(map[string]int, len(p.parts))
	for _, one := range p.parts {
		n, err := strconv.ParseUint(found[one.group], one.base, 31)
		if err != nil {
			return nil, false, fmt.Errorf("the part %s of its pattern is %s, which is no number in base %d", one.name, quote([]byte(found[one.group])), one.base)
		}
		parts[one.name] = int(n)
	}
	return parts, true, nil
}

// characters gives a line with each byte as the character of that number, so that \xFE in a pattern is the byte 0xFE.
func characters(line []byte) string {
	runes := make([]rune, len(line))
	for i, b := range line {
		runes[i] = rune(b)
	}
	return string(runes)
}

// maxQuoted is how many bytes of a line are shown.
const maxQuoted = 80

// quote shows bytes that may be anything, in ASCII, cut where there are many.
func quote(line []byte) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range line[:min(len(line), maxQuoted)] {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteByte(c)
		case c < ' ' || c > 0x7E:
			fmt.Fprintf(&b, `\x%02X`, c)
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	if more := len(line) - maxQuoted; more > 0 {
		fmt.Fprintf(&b, " and %d bytes more", more)
	}
	return b.String()
}
