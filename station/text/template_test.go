package text

import (
	"slices"
	"strings"
	"testing"
)

var everyPlaceholder = func() []string {
	var all []string
	for name := range placeholders {
		all = append(all, name)
	}
	slices.Sort(all)
	return all
}()

func TestATemplateIsWrittenAsItsFormatsSay(t *testing.T) {
	a := arguments{
		"cv": {29}, "cv_address": {28}, "value": {15}, "bit": {3}, "bit_value": {1}, "long": {0}, "direction": {0}, "state": {1},
		// NMRA S-9.2 (July 2004), figure of a transmitted packet: address 55, forward, step 6 of 28.
		"packet": {0x37, 0x74, 0x43}, "packet_data": {0x37, 0x74},
	}
	for template, want := range map[string]string{
		"":                               "",
		"cv {cv}":                        "cv 29",
		"{cv:d}{cv:01d}":                 "2929",
		"{cv:04d} {cv_address:03x}":      "0029 01c",
		"{value:x}{value:X}{value:b}":    "fF1111",
		"{value:02X}{value:08b}":         "0F00001111",
		"{value:016d}":                   "0000000000000015",
		"{bit}{bit_value}{long}":         "310",
		"{bit_value:yes|no}":             "yes",
		"{direction:ahead|astern}":       "astern",
		"{state:|off}{long:L|}":          "",
		"{packet}":                       "55 116 67",
		"{packet:02X}":                   "377443",
		"{packet:02X/ }":                 "37 74 43",
		"{packet_data:d/, }":             "55, 116",
		"{packet:08b/}":                  "001101110111010001000011",
		"{0x02}{0xFF}{0x7b}cv{0x7D}":     "\x02\xff{cv}",
		"{cv}{0x0A}{cv}":                 "29\n29",
		"~!\"#$%&'()*+,-./:;<=>?@[\\]^_": "~!\"#$%&'()*+,-./:;<=>?@[\\]^_",
	} {
		parsed, err := parseTemplate(template, everyPlaceholder)
		if err != nil {
			t.Errorf("%s: %v", template, err)
			continue
		}
		if got := string(parsed.fill(a)); got != want {
			t.Errorf("%s: %q, want %q", template, got, want)
		}
	}
}

func TestAMistakeInATemplateSaysWhatIsWanted(t *testing.T) {
	for template, want := range map[string]string{
		"{cv":                              "found { without its }",
		"cv}":                              "found } without its {",
		"{}":                               "found {}, want one of {cv}, {long}, {packet}, {value}",
		"{CV}":                             "found {CV}, want one of",
		"{bit}":                            "found {bit}, want one of",
		"{cv {value}}":                     "found {cv {value}",
		"{0x1}":                            "found {0x1}, want a byte in two hexadecimal digits",
		"{0x1G}":                           "found {0x1G}, want a byte",
		"{0x100}":                          "found {0x100}, want a byte",
		"{cv:}":                            "found {cv:}, want d, x, X or b",
		"{cv:2x}":                          "found {cv:2x}, want d, x, X or b",
		"{cv:00x}":                         "found {cv:00x}, want d, x, X or b",
		"{cv:017d}":                        "found {cv:017d}, want d, x, X or b",
		"{cv:0+2d}":                        "found {cv:0+2d}, want d, x, X or b",
		"{cv:o}":                           "found {cv:o}, want d, x, X or b",
		"{cv:02x/ }":                       "found {cv:02x/ }, want d, x, X or b",
		"{long:yes}":                       "found {long:yes}, want two words that differ",
		"{long:1|1}":                       "found {long:1|1}, want two words that differ",
		"{long:d}":                         "found {long:d}, want two words that differ",
		"{long:ä|b}":                       "found {long:ä|b}, want two words that differ",
		"{packet:d}":                       "found {packet:d}, want a number of digits",
		"{packet:x/ü}":                     "found {packet:x/ü}, want d, x, X or b",
		"höhe {cv}":                        "found a character beyond ASCII",
		strings.Repeat("x", 1+maxTemplate): "found 201 characters, want at most 200",
		"{value:0" + strings.Repeat("9", 50) + "x}": "want d, x, X or b",
	} {
		parsed, err := parseTemplate(template, []string{"cv", "long", "packet", "value"})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, %v, want %s", template, parsed, err, want)
		}
	}
}

func FuzzATemplateIsRefusedOrFilled(f *testing.F) {
	for _, s := range []string{"", "{cv}", "{value:02x}", "{packet:02X/,}", "{long:a|b}", "{0x0D}", "{cv:016b}{", "}{"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		parsed, err := parseTemplate(s, everyPlaceholder)
		if err != nil {
			return
		}
		a := arguments{}
		for name, k := range placeholders {
			a[name] = []int{map[kind]int{number: 10239, truth: 1, octets: 255}[k]}
		}
		line := parsed.fill(a)
		if most := len(s) * (maxWidth + 4); len(line) > most {
			t.Errorf("%q gives %d bytes, want at most %d", s, len(line), most)
		}
	})
}
