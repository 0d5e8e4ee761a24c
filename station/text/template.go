package text

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// arguments are what the placeholders of a template are filled with: one number each, a packet its bytes. What is true or false
// is 1 or 0.
type arguments map[string][]int

// kind is what a placeholder stands for.
type kind uint8

const (
	number kind = iota
	truth       // true or false
	octets      // the bytes of a packet
)

// placeholders are all that there are.
var placeholders = map[string]kind{
	"cv":          number, // 1 to 1024
	"cv_address":  number, // 0 to 1023: the CV less one, as a packet has it (S-9.2.1)
	"value":       number, // 0 to 255
	"bit":         number, // 0 to 7
	"bit_value":   truth,  // to be one
	"address":     number, // 1 to 127 or, where long, 0 to 10239
	"long":        truth,  // the address is a 14-bit one
	"step":        number, // 0 to 126, 0 is stop
	"steps":       number, // 14, 28 or 128: in what step counts
	"direction":   truth,  // forward
	"function":    number, // 0 to 28
	"state":       truth,  // on
	"packet":      octets, // its check byte included
	"packet_data": octets, // without it
	"times":       number, // 1 and up: how often in a row
	"tag":         number, // 1 to maxTag: which command it is
}

// Bounds of a profile's templates and patterns.
const (
	maxTemplate = 200 // characters
	maxWidth    = 16  // digits
	maxTag      = 99
)

// template is a line to be sent.
type template []piece

// piece is fixed bytes, or else a placeholder and how it is written.
type piece struct {
	fixed   []byte
	name    string
	base    int
	capital bool
	width   int       // at least so many digits
	choice  [2]string // for false and for true; base is 0
	between string    // the bytes of a packet
}

// parseTemplate reads a template: text, {0x02} for a byte, {name} or {name:format} for a placeholder out of allowed.
func parseTemplate(s string, allowed []string) (template, error) {
	if len(s) > maxTemplate {
		return nil, fmt.Errorf("found %d characters, want at most %d", len(s), maxTemplate)
	}
	var t template
	var fixed []byte
	flush := func() {
		if len(fixed) > 0 {
			t, fixed = append(t, piece{fixed: fixed}), nil
		}
	}
	for s != "" {
		switch c := s[0]; {
		case c == '}':
			return nil, fmt.Errorf("found } without its {, want {0x7D} for the character itself")
		case c != '{' && c > 0x7E:
			return nil, fmt.Errorf("found a character beyond ASCII, want its bytes as numbers, as {0xE4}")
		case c != '{':
			fixed, s = append(fixed, c), s[1:]
			continue
		}
		inside, rest, ok := strings.Cut(s[1:], "}")
		if !ok {
			return nil, fmt.Errorf("found { without its }, want {0x7B} for the character itself")
		}
		s = rest
		if digits, isByte := strings.CutPrefix(inside, "0x"); isByte {
			b, err := strconv.ParseUint(digits, 16, 8)
			if err != nil || len(digits) != 2 {
				return nil, fmt.Errorf("found {%s}, want a byte in two hexadecimal digits, as {0x0D}", inside)
			}
			fixed = append(fixed, byte(b))
			continue
		}
		flush()
		p, err := parsePlaceholder(inside, allowed)
		if err != nil {
			return nil, err
		}
		t = append(t, p)
	}
	flush()
	return t, nil
}

func parsePlaceholder(inside string, allowed []string) (piece, error) {
	name, format, formatted := strings.Cut(inside, ":")
	p := piece{name: name, base: 10}
	if !slices.Contains(allowed, name) {
		if len(allowed) == 0 {
			return p, fmt.Errorf("found {%s}, want no placeholder here, only bytes as {0x0D}", inside)
		}
		return p, fmt.Errorf("found {%s}, want one of {%s}, or a byte as {0x0D}", inside, strings.Join(allowed, "}, {"))
	}
	if placeholders[name] == truth {
		p.base, p.choice = 0, [2]string{"0", "1"}
		yes, no, two := strings.Cut(format, "|")
		if two && plain(yes) && plain(no) && yes != no {
			p.choice = [2]string{no, yes}
		} else if formatted {
			return p, fmt.Errorf("found {%s}, want two words that differ, for yes and for no, as {%s:on|off}", inside, name)
		}
		return p, nil
	}
	if placeholders[name] == octets {
		p.between = " "
		if formatted {
			format, p.between, _ = strings.Cut(format, "/")
		}
	}
	if !formatted {
		return p, nil
	}
	digits := format
	if n := len(format) - 1; n >= 0 {
		digits = format[:n]
		switch format[n] {
		case 'd':
		case 'x':
			p.base = 16
		case 'X':
			p.base, p.capital = 16, true
		case 'b':
			p.base = 2
		default:
			p.base = 0
		}
	}
	width, padded := strings.CutPrefix(digits, "0")
	if padded {
		p.width, _ = strconv.Atoi(width)
	}
	if p.base == 0 || format == "" || digits != "" && (!padded || p.width < 1 || p.width > maxWidth || strconv.Itoa(p.width) != width) ||
		!plain(p.between) {
		return p, fmt.Errorf("found {%s}, want d, x, X or b after the colon, and 0 and the least number of digits before it, as {%s:02x}", inside, name)
	}
	if placeholders[name] == octets && p.between == "" && p.width == 0 {
		return p, fmt.Errorf("found {%s}, want a number of digits, as {%s:02X}, or something between the bytes, as {%s:d/,}", inside, name, name)
	}
	return p, nil
}

// plain says whether s is printing ASCII.
func plain(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > 0x7E {
			return false
		}
	}
	return true
}

// names are the placeholders of a template.
func (t template) names() []string {
	var names []string
	for _, p := range t {
		if p.fixed == nil {
			names = append(names, p.name)
		}
	}
	return names
}

func (t template) has(name string) bool { return slices.Contains(t.names(), name) }

// holds says whether the fixed bytes of a template hold some that must not be in it.
func (t template) holds(b []byte) bool {
	for _, p := range t {
		if len(b) > 0 && bytes.Contains(p.fixed, b) {
			return true
		}
	}
	return false
}

// fill gives the line. Each placeholder of the template must be among the arguments.
func (t template) fill(a arguments) []byte {
	var b []byte
	for _, p := range t {
		if p.fixed != nil {
			b = append(b, p.fixed...)
			continue
		}
		for i, n := range a[p.name] {
			if i > 0 {
				b = append(b, p.between...)
			}
			b = p.append(b, n)
		}
	}
	return b
}

func (p piece) append(b []byte, n int) []byte {
	if p.base == 0 {
		return append(b, p.choice[n]...)
	}
	digits := strconv.FormatInt(int64(n), p.base)
	if p.capital {
		digits = strings.ToUpper(digits)
	}
	for range p.width - len(digits) {
		b = append(b, '0')
	}
	return append(b, digits...)
}
