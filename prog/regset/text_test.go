package regset

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/cv"
)

func TestTheCanonicalTextIsSortedAndFolded(t *testing.T) {
	maker := uint8(13)
	page := cv.Page{High: 16, Low: 3}
	s := Set{
		Title:   `Harbour tram 3, "street"`,
		Decoder: Guard{Maker: &maker},
		Address: nmra.Address{Kind: nmra.Long, Number: 4203},
		Registers: cv.Values{
			reg(70): 14, reg(67): 2, reg(68): 5, reg(69): 9, reg(3): 12, {CV: 260, Page: page}: 7, {CV: 257, Page: page}: 1, {CV: 258, Page: page}: 2,
		},
		Bits: map[cv.Bit]bool{bit(29, 3): true, bit(29, 0): false, {Register: cv.Register{CV: 261, Page: page}, Bit: 5}: true},
	}
	want := `format = 1
title = "Harbour tram 3, \"street\""

[decoder]
maker = 13

[address]
long = 4203

[registers]
3 = 12
"67-70" = [2, 5, 9, 14]
"257-258@16.3" = [1, 2]
"260@16.3" = 7

[bits]
29.0 = false
29.3 = true
"261@16.3.5" = true
`
	if d := cmp.Diff(want, string(s.Append(nil))); d != "" {
		t.Error(d)
	}
}

func TestALongRunIsSplitWhereAReaderCounts(t *testing.T) {
	s := Survey{When: time.Date(2026, 11, 25, 8, 41, 3, 0, time.FixedZone("", 3600)), Registers: cv.Values{}}
	for n := nmra.CV(67); n <= 94; n++ {
		s.Registers[reg(n)] = uint8(n)
	}
	for n := nmra.CV(108); n <= 141; n++ {
		s.Registers[reg(n)] = 200
	}
	want := `format = 1
when = 2026-11-25T07:41:03Z

[registers]
"67-94" = [67, 68, 69, 70, 71, 72, 73, 74, 75, 76, 77, 78, 79, 80, 81, 82, 83, 84, 85, 86, 87, 88,
  89, 90, 91, 92, 93, 94]
"108-109" = [200, 200]
"110-119" = [200, 200, 200, 200, 200, 200, 200, 200, 200, 200]
"120-129" = [200, 200, 200, 200, 200, 200, 200, 200, 200, 200]
"130-139" = [200, 200, 200, 200, 200, 200, 200, 200, 200, 200]
"140-141" = [200, 200]
`
	if d := cmp.Diff(want, string(s.Append(nil))); d != "" {
		t.Error(d)
	}
}

func TestTextThatWouldNotReadBackIsReplaced(t *testing.T) {
	s := Set{Title: "a\x1b[2J\n\u202eb\xff", Registers: cv.Values{reg(3): 1}}
	back, err := Parse("f.toml", s.Append(nil))
	if err != nil || back.Title != "a\ufffd[2J\ufffd\ufffdb\ufffd" {
		t.Errorf("got %q, %v", back.Title, err)
	}
}

var sameContent = cmp.Options{cmpopts.EquateEmpty()}

func TestASetReadsBackAsItWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anySet(t)
		text := want.Append(nil)
		got, err := Parse("f.toml", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(want, got, sameContent); d != "" {
			t.Fatal(d)
		}
		if d := cmp.Diff(string(text), string(got.Append(nil))); d != "" {
			t.Fatalf("the text is not stable: %s", d)
		}
	})
}

func TestASetChangesWhatItNamesAndNothingElse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySet(t)
		held := cv.Values{}
		for _, r := range s.Needs() {
			held[r] = rapid.Uint8().Draw(t, "held")
		}
		wanted, err := s.Wanted(held)
		if err != nil {
			t.Fatal(err)
		}
		if len(wanted) != len(held) {
			t.Fatalf("Wanted gives %v, Needs %v", wanted.Registers(), s.Needs())
		}
		for r, v := range s.Registers {
			if r != extendedAddress.Register && wanted[r] != v {
				t.Fatalf("register %v: %d", r, wanted[r])
			}
		}
		for r, v := range wanted {
			if _, whole := s.Registers[r]; whole || r.CV == 1 || r.CV == 17 || r.CV == 18 {
				continue
			}
			for n := range uint8(8) {
				want, named := s.Bits[cv.Bit{Register: r, Bit: n}]
				if r == reg(29) && n == 5 && s.Address != (nmra.Address{}) {
					want, named = s.Address.Kind == nmra.Long, true
				}
				if !named {
					want = held[r]>>n&1 == 1
				}
				if (v>>n&1 == 1) != want {
					t.Fatalf("register %v: %08b from %08b, bit %d", r, v, held[r], n)
				}
			}
		}
		if s.Address == (nmra.Address{}) || wanted[reg(29)]&(1<<cv.AccessoryBit) != 0 {
			return
		}
		wanted[reg(19)] = 0
		if got := cv.AddressInUse(wanted).Address; got != s.Address {
			t.Fatalf("the decoder answers to %v, want %v", got, s.Address)
		}
	})
}

func TestASurveyReadsBackAsItWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anySurvey(t)
		text := want.Append(nil)
		got, err := ParseSurvey("f.toml", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(want, got, sameContent); d != "" {
			t.Fatal(d)
		}
		if d := cmp.Diff(string(text), string(got.Append(nil))); d != "" {
			t.Fatalf("the text is not stable: %s", d)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{
		"format = 1\ntitle = \"a\"\n[decoder]\nmaker = 13\nversion = 21\n[address]\nlong = 4203\n" +
			"[registers]\n3 = 12\n\"67-70\" = [2, 5, 9, 14]\n\"260@16.3\" = 7\n[bits]\n29.3 = true",
		"when = 2026-11-25T07:41:03Z\nstation = \"b\"\nabsent = [\"96-104\"]\nunsure = [\"3\"]\nchanging = [\"892\"]\n" +
			"pages = [\"16.0\"]\n[registers]\n\"1-2\" = [3, 4]",
		"address.short = 3\r\nbits.\"29.1\" = false\r\n",
		"[registers]",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := Parse("f.toml", data); err == nil {
			again, err := Parse("f.toml", s.Append(nil))
			if d := cmp.Diff(s, again, sameContent); err != nil || d != "" {
				t.Errorf("%v %s", err, d)
			}
			held := cv.Values{}
			for _, r := range s.Needs() {
				held[r] = 0
			}
			if wanted, err := s.Wanted(held); err != nil || len(wanted) != len(held) {
				t.Errorf("got %v, %v", wanted, err)
			}
		} else if !strings.Contains(err.Error(), "found ") {
			t.Error(err)
		}
		if s, err := ParseSurvey("f.toml", data); err == nil {
			again, err := ParseSurvey("f.toml", s.Append(nil))
			if d := cmp.Diff(s, again, sameContent); err != nil || d != "" {
				t.Errorf("%v %s", err, d)
			}
		}
	})
}

func anyRegister(t *rapid.T) cv.Register {
	r := reg(nmra.CV(rapid.OneOf(rapid.IntRange(1, 1024), rapid.IntRange(60, 70), rapid.IntRange(255, 262)).Draw(t, "cv")))
	if r.Indexed() && rapid.Bool().Draw(t, "paged") {
		r.Page = cv.Page{High: rapid.Uint8Range(16, 17).Draw(t, "high"), Low: rapid.Uint8Max(1).Draw(t, "low")}
	}
	return r
}

// anySet gives a set that says nothing that it must not.
func anySet(t *rapid.T) Set {
	s := Set{Title: anyText(t, "title"), Decoder: anyGuard(t), Registers: cv.Values{}, Bits: map[cv.Bit]bool{}}
	switch rapid.IntRange(0, 2).Draw(t, "address") {
	case 1:
		s.Address = nmra.Address{Kind: nmra.Short, Number: uint16(rapid.IntRange(1, nmra.MaxShort).Draw(t, "short"))}
	case 2:
		s.Address = nmra.Address{Kind: nmra.Long, Number: uint16(rapid.IntRange(0, nmra.MaxLong).Draw(t, "long"))}
	}
	allowed := func(r cv.Register) bool {
		switch r.CV {
		case 1, 7, 8, 17, 18, 29, 31, 32:
			return false
		}
		return true
	}
	for r, v := range rapid.MapOf(rapid.Custom(anyRegister).Filter(allowed), rapid.Uint8()).Draw(t, "registers") {
		s.Registers[r] = v
	}
	if rapid.Bool().Draw(t, "29 as a whole") {
		v := rapid.Uint8().Draw(t, "29")
		switch s.Address.Kind {
		case nmra.Long:
			v |= 1 << 5
		case nmra.Short:
			v &^= 1 << 5
		}
		s.Registers[reg(29)] = v
	}
	for r, n := range rapid.MapOf(rapid.Custom(anyRegister), rapid.Uint8Max(7)).Draw(t, "bits") {
		if _, whole := s.Registers[r]; !whole && (allowed(r) || r.CV == 29 && n != 5) {
			s.Bits[cv.Bit{Register: r, Bit: n}] = rapid.Bool().Draw(t, "on")
		}
	}
	if len(s.Needs()) == 0 {
		s.Registers[reg(3)] = 12
	}
	return s
}

func anySurvey(t *rapid.T) Survey {
	s := Survey{
		Decoder:   anyGuard(t),
		When:      time.Unix(rapid.Int64Range(0, 1<<36).Draw(t, "seconds"), int64(rapid.IntRange(0, 999_999_999).Draw(t, "nanoseconds"))),
		Station:   anyText(t, "station"),
		Registers: cv.Values{},
	}
	held := cv.Values{}
	for r, v := range rapid.MapOf(rapid.Custom(anyRegister), rapid.Uint8()).Draw(t, "registers") {
		held[r] = v
	}
	for _, r := range held.Registers() {
		if rapid.Bool().Draw(t, "of") {
			s.Of = append(s.Of, r)
		}
		switch rapid.IntRange(0, 7).Draw(t, "state") {
		case 0:
			s.Absent = append(s.Absent, r)
		case 6:
			s.Left = append(s.Left, r)
		case 7:
			s.Once = append(s.Once, r)
			s.Registers[r] = held[r]
		case 1:
			s.Unsure = append(s.Unsure, r)
		case 2:
			s.Changing = append(s.Changing, r)
			s.Registers[r] = held[r]
		default:
			s.Registers[r] = held[r]
		}
	}
	if rapid.Bool().Draw(t, "pages?") {
		s.Pages = []cv.Page{}
	}
	for low := range rapid.Uint8Max(3).Draw(t, "pages") {
		s.Pages = append(s.Pages, cv.Page{High: 16, Low: low})
	}
	return s
}

func anyGuard(t *rapid.T) Guard {
	var g Guard
	if rapid.Bool().Draw(t, "maker?") {
		v := rapid.Uint8().Draw(t, "maker")
		g.Maker = &v
	}
	if rapid.Bool().Draw(t, "version?") {
		v := rapid.Uint8().Draw(t, "version")
		g.Version = &v
	}
	return g
}

func anyText(t *rapid.T, label string) string {
	return rapid.StringMatching(`[ -~äé→]{0,20}`).Draw(t, label)
}
