package sheet

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// works is an invented sheet.
const works = `format = 1
title = "Port Elvering works decoder"
groups = ["motion", "stopping"]
absent = ["96-104"]
changing = ["892"]
pages = ["16.3"]

[decoder]
maker = 13
version = 34

[registers.3]
name = "acceleration"
group = "motion"
values = ["0-60", "255"]
default = 12

[registers.27]
name = "signal stop"
group = "stopping"
mask = 0b0000_1111
fixed = 0b0100_0000
default = 0b0100_0011
bits.0 = "right rail"
bits.1 = "left rail"
note = "Only one of the two."

[registers.30]
read_only = true

[registers."67-94"]
name = "speed table"
held = [3, 7, 11, 16, 21, 27, 33, 40, 47, 55, 63, 72, 81, 91, 101, 111, 122, 133, 144, 156, 168, 180, 192, 204, 217, 229, 242, 255]

[registers."260@16.3"]
name = "approach delay"
values = ["0-9"]
`

func parsed(t testing.TB, text string) Sheet {
	t.Helper()
	s, err := Parse("works.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func reg(n nmra.CV) cv.Register { return cv.Register{CV: n} }

var delay = cv.Register{CV: 260, Page: cv.Page{High: 16, Low: 3}}

func Example() {
	s, err := Parse("works.toml", []byte(works))
	if err != nil {
		fmt.Println(err)
		return
	}
	_, err = regset.ParseFor("quay.toml", []byte("[registers]\nacceleration = 61\n\"approach delay\" = 4\n"), s)
	fmt.Println(err)
	// Output:
	// quay.toml:2:1: found 61 in register 3, acceleration, want 0-60, 255
}

func TestANameStandsForItsRegistersAndANumberedOneForOneOfThem(t *testing.T) {
	s := parsed(t, works)
	for text, want := range map[string]string{
		"acceleration": "3", "approach delay": "260@16.3", "speed table": "67-94", "speed table 1": "67", "speed table 28": "94",
		"3": "3", "67-94": "67-94", "260@16.3": "260@16.3", "512": "512",
	} {
		rs, err := s.ParseRange(text)
		if got := strings.Join(cv.Ranges(rs), " "); err != nil || got != want {
			t.Errorf("%q is %s, %v; want %s", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"speed table 0":   "near it: speed table",
		"speed table 29":  "near it: speed table",
		"speed table 01":  "near it: speed table",
		"speed table +1":  "near it: speed table",
		"acceleration 1":  "near it: acceleration",
		"Acceleration":    "near it: acceleration",
		"accelleration":   "near it: acceleration",
		"zebra":           "or a name of the sheet",
		"":                "want a register",
		"0":               "want a register",
		"\xff":            "want a register",
		"3 acceleration":  "want a register",
		"acceleration.3":  "near it: acceleration",
		"approach delay@": "near it: approach delay",
	} {
		if rs, err := s.ParseRange(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is %v, %v; want an error with %q", text, rs, err, want)
		}
	}
}

func TestABitHasItsNumberOrTheNameThatTheSheetGivesIt(t *testing.T) {
	s := parsed(t, works)
	for text, want := range map[string]string{
		"signal stop.left rail": "27.1", "signal stop.0": "27.0", "27.right rail": "27.0", "27.5": "27.5", "260@16.3.5": "260@16.3.5",
		"approach delay.7": "260@16.3.7", "speed table 2.7": "68.7",
	} {
		if bit, err := s.ParseBit(text); err != nil || bit.String() != want {
			t.Errorf("%q is %v, %v; want %s", text, bit, err, want)
		}
	}
	for text, want := range map[string]string{
		"signal stop.middle rail": "the name that the sheet gives it",
		"signal stop.8":           "its number, 0 to 7",
		"signal stop":             "want a bit",
		"speed table.1":           `want one register, as "speed table 1"`,
		"left rail":               "want a bit",
		"nothing.1":               "or a name of the sheet",
		"260@16.3":                "want a bit of a register on a page",
		"29.8":                    "want a bit",
		"29.left rail":            "the name that the sheet gives it",
	} {
		if bit, err := s.ParseBit(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is %v, %v; want an error with %q", text, bit, err, want)
		}
	}
}

func TestWhatADecoderOfTheTypeCannotBeGivenIsRefused(t *testing.T) {
	s := parsed(t, works)
	for _, c := range []struct {
		r           cv.Register
		mask, value uint8
		want        string
	}{
		{reg(3), 255, 60, ""},
		{reg(3), 255, 255, ""},
		{reg(3), 255, 61, "found 61 in register 3, acceleration, want 0-60, 255"},
		{reg(3), 1 << 7, 1 << 7, ""}, // 255 has it on
		{delay, 1 << 3, 1 << 3, ""},  // 8 and 9 have it on
		{delay, 1 << 4, 1 << 4, "found bits of register 260@16.3, approach delay, want 0-9"},
		{reg(27), 255, 0b0100_0101, ""},
		{reg(27), 255, 0b0000_0101, "want bit 6 on: nothing changes that"},
		{reg(27), 255, 0b1111_0000, "want bits 4, 5, 7 off: nothing changes that"},
		{reg(27), 255, 0b1000_0000, "want bit 7 off, bit 6 on: nothing changes that"},
		{reg(27), 1 << 6, 1 << 6, ""},
		{reg(27), 1 << 6, 0, "want bit 6 on"},
		{reg(27), 1 << 1, 1 << 1, ""},
		{reg(30), 255, 0, "found 0 in register 30, want it left out: it is read only"},
		{reg(98), 255, 0, "found register 98, want one that the decoder has: the sheet has it as absent"},
		{cv.Register{CV: 260, Page: cv.Page{High: 17}}, 255, 0, "page 17.0 is not one of the sheet's"},
		{cv.Register{CV: 261, Page: cv.Page{High: 16, Low: 3}}, 255, 200, ""}, // the sheet says nothing of it
		{reg(112), 255, 200, ""},
	} {
		if got := s.Refuse(c.r, c.mask, c.value); got != c.want && (c.want == "" || !strings.Contains(got, c.want)) {
			t.Errorf("%v, bits %08b of %d: %q, want %q", c.r, c.mask, c.value, got, c.want)
		}
	}
}

func TestASheetSaysWhatARegisterIsLikelyToHold(t *testing.T) {
	s := parsed(t, works+"[registers.9]\ndefault = 24\nheld = 48\n[registers.10]\ndefault = 90\nheld = 90\n")
	for _, c := range []struct {
		r      cv.Register
		values []uint8
		absent bool
	}{
		{reg(3), []uint8{12}, false},
		{reg(9), []uint8{24, 48}, false},
		{reg(10), []uint8{90}, false},
		{reg(68), []uint8{7}, false},
		{reg(8), []uint8{13}, false},
		{reg(7), []uint8{34}, false},
		{reg(98), nil, true},
		{reg(112), nil, false},
		{delay, nil, false},
		{cv.Register{CV: 260, Page: cv.Page{High: 17}}, nil, true},
	} {
		values, absent := s.Hint(c.r)
		if d := cmp.Diff(c.values, values); d != "" || absent != c.absent {
			t.Errorf("register %v: %v, absent %v, want %v, %v", c.r, values, absent, c.values, c.absent)
		}
	}
}

func TestTheZeroSheetTakesTheNotationAndRefusesNothing(t *testing.T) {
	var s Sheet
	if rs, err := s.ParseRange("67-94"); len(rs) != 28 || err != nil {
		t.Error(rs, err)
	}
	if _, err := s.ParseRange("acceleration"); err == nil {
		t.Error("a name was taken")
	}
	if bit, err := s.ParseBit("29.5"); bit.Bit != 5 || err != nil {
		t.Error(bit, err)
	}
	if why := s.Refuse(delay, 255, 7); why != "" {
		t.Error(why)
	}
	if values, absent := s.Hint(delay); values != nil || absent {
		t.Error(values, absent)
	}
	if x, told := s.Explain(delay); told {
		t.Error(x)
	}
}

func TestASetForASheetUsesItsNamesKeepsToItsValuesAndIsForItsType(t *testing.T) {
	s := parsed(t, works)
	set, err := regset.ParseFor("a.toml", []byte(`
[registers]
acceleration = 20
"speed table 2" = 9
"approach delay" = 4
[bits]
"signal stop"."left rail" = true
27.0 = false
`), s)
	if err != nil {
		t.Fatal(err)
	}
	want := regset.Set{
		Decoder: s.Decoder, Registers: cv.Values{reg(3): 20, reg(68): 9, delay: 4},
		Bits: map[cv.Bit]bool{{Register: reg(27), Bit: 1}: true, {Register: reg(27), Bit: 0}: false},
	}
	if d := cmp.Diff(want, set); d != "" {
		t.Error(d)
	}
	for text, want := range map[string]string{
		"[registers]\n4 = 1\nacceleration = 61\n":                 "a.toml:3:1: found 61 in register 3, acceleration, want 0-60, 255",
		"[registers]\n3 = 1\nacceleration = 1\n":                  "a.toml:3:1: found register 3 a second time",
		"[registers]\n30 = 1\n":                                   "a.toml:2:1: found 1 in register 30, want it left out: it is read only",
		"[registers]\n98 = 1\n":                                   "a.toml:2:1: found register 98, want one that the decoder has",
		"[registers]\n\"260@16.4\" = 1\n":                         "a.toml:2:1: found register 260@16.4, want one that the decoder has",
		"[registers]\naccel = 1\n":                                "a.toml:2:1: found \"accel\", want a register",
		"[registers]\n\"speed table\" = 1\n":                      "a.toml:2:17: found 1, want a list",
		"[bits]\n\"signal stop\".7 = true\n":                      "a.toml:2:15: found bits of register 27, signal stop, want bit 7 off",
		"[bits]\n\"signal stop\".up = true\n":                     "a.toml:2:15: found \"signal stop.up\", want a bit of signal stop",
		"[decoder]\nmaker = 13\nversion = 21\n[registers]\n3=1\n": "a.toml:1:2: found maker 13, version 21, want maker 13, version 34",
	} {
		if _, err := regset.ParseFor("a.toml", []byte(text), s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s%v\nwant %s", text, err, want)
		}
	}
	limited := parsed(t, strings.Replace(works, "[registers.3]", "[registers.17]\nvalues = [\"192-199\"]\n[registers.3]", 1))
	_, err = regset.ParseFor("a.toml", []byte("[address]\nlong = 4203\n"), limited)
	if err == nil || !strings.Contains(err.Error(), "a.toml:1:2: found 208 in register 17, want 192-199") {
		t.Errorf("an address that the sheet does not take: %v", err)
	}
}

func TestALongAddressNeedsADecoderThatTakesOne(t *testing.T) {
	short := parsed(t, "[decoder]\nmaker = 13\n[registers.29]\nmask = 0b0000_0111\n")
	_, err := regset.ParseFor("a.toml", []byte("[address]\nlong = 4203\n"), short)
	if err == nil || err.Error() != "a.toml:1:2: found bits of register 29, want bit 5 off: nothing changes that" {
		t.Error(err)
	}
	if _, err := regset.ParseFor("a.toml", []byte("[address]\nshort = 3\n"), short); err != nil {
		t.Error(err)
	}
}

func TestAnExplanationGivesTheSheetsWordsAndWhetherAValueCanBeWritten(t *testing.T) {
	s := parsed(t, works)
	x, told := s.ExplainValue(reg(27), 0b1100_0001)
	want := []string{
		"register 27 = 193: signal stop, group stopping, only bits 0, 1, 2, 3 can be changed, 67 after a reset",
		"Only one of the two.",
		"It can't be written: found 193 in register 27, signal stop, want bit 7 off: nothing changes that.",
		"bit 0 on: right rail",
		"bit 1 off: left rail",
	}
	if d := cmp.Diff(want, x.Lines()); d != "" || !told {
		t.Error(told, d)
	}
	x, _ = s.Explain(reg(68))
	if d := cmp.Diff([]string{"register 68: speed table 2, held 7"}, x.Lines()); d != "" {
		t.Error(d)
	}
	x, _ = s.Explain(reg(98))
	if d := cmp.Diff([]string{"register 98: not in this type of decoder"}, x.Lines()); d != "" {
		t.Error(d)
	}
	known := s.Named(reg(27))
	if known.Name != "signal stop" || known.Bits[1].Name != "left rail" || known.Bits[2].Name != cv.Explain(reg(27)).Bits[2].Name {
		t.Errorf("%+v", known)
	}
}
