package text

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestAPatternTakesTheWholeLineAndGivesItsNumbers(t *testing.T) {
	allowed := []string{"value", "cv", "tag"}
	for _, c := range []struct {
		pattern, line string
		want          map[string]int // nil: it does not take it
		err           string
	}{
		{pattern: "aye", line: "aye", want: map[string]int{}},
		{pattern: "aye", line: "aye aye"},
		{pattern: "aye", line: "no aye"},
		{pattern: "a|b", line: "ab"},
		{pattern: "a|b", line: "b", want: map[string]int{}},
		{pattern: `(?P<cv>\d+) (?P<value>\d+)`, line: "29 006", want: map[string]int{"cv": 29, "value": 6}},
		{pattern: `(?P<value_hex>[0-9a-fA-F]+)`, line: "fF", want: map[string]int{"value": 255}},
		{pattern: `(?P<value_binary>[01]+)`, line: "00000110", want: map[string]int{"value": 6}},
		{pattern: `\xFE(?P<tag>.)`, line: "\xFE7", want: map[string]int{"tag": 7}},
		{pattern: `.{3}`, line: "\xFF\xFE\xFD", want: map[string]int{}}, // each byte is a character
		{pattern: `ü`, line: "ü"}, // which is two bytes
		{pattern: `(?P<value>.*)`, line: "six", err: `the part value of its pattern is "six", which is no number in base 10`},
		{pattern: `(?P<value>.*)`, line: "", err: "no number"},
		{pattern: `(?P<value>.*)`, line: "-1", err: "no number"},
		{pattern: `(?P<value>\d*)`, line: strings.Repeat("9", 30), err: "no number"},
		{pattern: `(?P<value>\d*)|x`, line: "x", err: "no number"},
		{pattern: `(?m)^a$`, line: "a\na"},
	} {
		p, err := parsePattern(c.pattern, allowed)
		if err != nil {
			t.Errorf("%s: %v", c.pattern, err)
			continue
		}
		got, ok, err := p.match(characters([]byte(c.line)))
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s, %q: %v, want %s", c.pattern, c.line, err, c.err)
			}
			continue
		}
		if err != nil || ok != (c.want != nil) || !cmp.Equal(got, c.want) {
			t.Errorf("%s, %q: %v, %v, %v, want %v", c.pattern, c.line, got, ok, err, c.want)
		}
	}
}

func TestAMistakeInAPatternSaysWhatIsWanted(t *testing.T) {
	for pattern, want := range map[string]string{
		"(":                               "found what is no pattern",
		"a)(b":                            "found what is no pattern",
		`(a)\1`:                           "found what is no pattern", // has no backward references, which could run away
		"((a{100}){100}){100}":            "found what is no pattern", // too large
		`(?P<step>.)`:                     "found the part step, want one of value, cv",
		`(?P<hex>.)`:                      "found the part hex, want one of",
		`(?P<value_octal>.)`:              "found the part value_octal, want one of",
		`(?P<value>.)(?P<value_hex>.)`:    "found the part value a second time",
		strings.Repeat("a", 1+maxPattern): "found a pattern of 201 characters, want at most 200",
	} {
		p, err := parsePattern(pattern, []string{"value", "cv"})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, %v, want %s", pattern, p, err, want)
		}
	}
}

func TestWhatIsQuotedMovesNoTerminalAndIsShort(t *testing.T) {
	for line, want := range map[string]string{
		"":                        `""`,
		`aye "yes" \`:             `"aye \"yes\" \\"`,
		"\x1b[2J\x00\x7f\xc3\xbc": `"\x1B[2J\x00\x7F\xC3\xBC"`,
		strings.Repeat("a", 81):   `"` + strings.Repeat("a", 80) + `" and 1 bytes more`,
	} {
		if got := quote([]byte(line)); got != want {
			t.Errorf("%q: %s, want %s", line, got, want)
		}
	}
}
