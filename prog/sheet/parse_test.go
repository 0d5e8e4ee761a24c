package sheet

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
)

func TestEveryMistakeInASheetIsFoundWithItsPlace(t *testing.T) {
	const top = "[decoder]\nmaker = 13\n[registers.3]\n" // three lines
	for _, c := range []struct{ text, want string }{
		{"[registers]\n", "f.toml:1:1: found no key \"decoder\""},
		{"[decoder]\nversion = 1\n[registers]\n", "f.toml:1:2: found no key \"maker\""},
		{"[decoder]\nmaker = 13\n", "f.toml:1:1: found no key \"registers\""},
		{"format = 2\n" + top, "f.toml:1:10: found 2, want 1"},
		{top + "nmae = \"a\"\n", "f.toml:4:1: found unknown key \"nmae\""},
		{top + "[registers.\"2-4\"]\n", "f.toml:4:12: found register 3 a second time, want it once"},
		{top + "[registers.\"4-2\"]\n", "f.toml:4:12: found \"4-2\", want a range that ascends"},
		{top + "[registers.1025]\n", "f.toml:4:12: found \"1025\", want a register"},
		{top + "[registers.\"260@16.3\"]\n", "f.toml:4:12: found page 16.3, want one of pages"},
		{"absent = [\"2-4\"]\n" + top, "f.toml:4:12: found register 3, which absent lists too"},
		{"absent = [\"300@16.3\"]\n" + top, "f.toml:1:10: found register 300@16.3, want its page in pages"},
		{"changing = [\"300@16.3\"]\n" + top, "f.toml:1:12: found register 300@16.3, want its page in pages"},
		{"absent = [\"5\"]\nchanging = [\"5\"]\n" + top, "f.toml:2:12: found register 5 here and in absent"},
		{"groups = [\"a\", \"a\"]\n" + top, "f.toml:1:10: found group \"a\" a second time"},
		{"groups = [\"\"]\n" + top, "f.toml:1:10: found a group without a name"},
		{top + "group = \"motion\"\n", "f.toml:4:9: found \"motion\", want one of groups"},
		{top + "name = \"a\"\n[registers.4]\nname = \"a\"\n", "f.toml:6:8: found name \"a\" a second time, want it once: register 3 has it"},
		{top + "name = \"a 2\"\n[registers.\"4-5\"]\nname = \"a\"\n", "f.toml:6:8: found name \"a 2\" a second time"},
		{top + "name = \"3rd\"\n", "f.toml:4:8: found \"3rd\", want a name that begins with a letter"},
		{top + "name = \"-a\"\n", "f.toml:4:8: found \"-a\", want a name that begins with a letter"},
		{top + "name = \"a.b\"\n", "f.toml:4:8: found \"a.b\", want letters, digits"},
		{top + "name = \"a@b\"\n", "f.toml:4:8: found \"a@b\", want letters, digits"},
		{top + "name = \"a=b\"\n", "f.toml:4:8: found \"a=b\", want letters, digits"},
		{top + "name = \"a  b\"\n", "f.toml:4:8: found \"a  b\", want a name of words with one space between"},
		{top + "name = \"a \"\n", "f.toml:4:8: found \"a \", want a name of words"},
		{top + "name = \"" + strings.Repeat("a", 61) + "\"\n", "want at most 60 letters"},
		{top + "bits.8 = \"a\"\n", "f.toml:4:6: found \"8\", want the number of a bit"},
		{top + "bits.x = \"a\"\n", "f.toml:4:6: found \"x\", want the number of a bit"},
		{top + "bits.00 = \"a\"\n", "f.toml:4:6: found \"00\", want the number of a bit"},
		{top + "bits.0 = 1\n", "f.toml:4:10: found 1, want text"},
		{top + "bits.0 = \"\"\n", "f.toml:4:10: found \"\", want a name"},
		{top + "bits.0 = \"a\"\nbits.1 = \"a\"\n", "f.toml:5:10: found bit name \"a\" a second time"},
		{top + "mask = 1\nbits.1 = \"a\"\n", "f.toml:5:6: found bit 1, want one that the register has"},
		{top + "values = [\"9-3\"]\n", "f.toml:4:11: found \"9-3\", want a range that ascends"},
		{top + "values = [\"0-3\", \"2-5\"]\n", "f.toml:4:18: found values 2-5, want them to ascend"},
		{top + "values = [\"0-3\", \"4\"]\n", "f.toml:4:18: found values 4, want them to ascend, one range for those that follow"},
		{top + "values = [4]\n", "f.toml:4:11: found 4, want values in quotes"},
		{top + "values = []\n", "f.toml:4:10: found no values"},
		{top + "values = [\"0-9\"]\ndefault = 10\n", "f.toml:5:11: found default 10 of register 3, want one of its values, 0-9"},
		{top + "default = 256\n", "f.toml:4:11: found 256, want a value from 0 to 255"},
		{top + "default = [1]\n", "f.toml:4:11: found a list, want a value"},
		{top + "mask = 0b0000_1111\ndefault = 0b0001_0000\n", "f.toml:5:11: found default 16 of register 3, want bit 4 off, as mask and fixed"},
		{top + "mask = 1\nfixed = 2\ndefault = 1\n", "f.toml:6:11: found default 1 of register 3, want bit 1 on, as mask and fixed"},
		{top + "mask = 0\n", "f.toml:4:8: found 0, want a whole number from 1 to 255"},
		{top + "fixed = 2\n", "f.toml:4:9: found fixed bits without a mask"},
		{top + "mask = 3\nfixed = 2\n", "f.toml:5:9: found bit 1 both fixed and in the mask"},
		{top + "read_only = true\nmask = 3\n", "f.toml:5:8: found mask of a register that is read only"},
		{top + "read_only = true\nvalues = [\"0\"]\n", "f.toml:5:10: found values of a register that is read only"},
		{top + "[registers.\"5-6\"]\ndefault = 1\n", "f.toml:5:11: found 1, want a list of 2 values"},
		{top + "[registers.\"5-6\"]\ndefault = [1]\n", "f.toml:5:11: found a list of 1 values, want 2"},
		{top + "[registers.\"5-6\"]\nvalues = [\"0-1\"]\ndefault = [1, 2]\n", "f.toml:6:11: found default 2 of register 6"},
	} {
		if _, err := Parse("f.toml", []byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s\n  %v\n  want %s", c.text, err, c.want)
		}
	}
}

func TestASheetWithSeveralMistakesTellsOfEach(t *testing.T) {
	_, err := Parse("f.toml", []byte("[decoder]\nmaker = 300\n[registers.3]\nname = \"3\"\ndefault = -1\n[registers.\"3-4\"]\ngroup = \"x\"\n"))
	if err == nil {
		t.Fatal("it was taken")
	}
	for _, place := range []string{"f.toml:2:9: ", "f.toml:4:8: ", "f.toml:5:11: ", "f.toml:6:12: "} {
		if !strings.Contains(err.Error(), place) {
			t.Errorf("nothing at %sin\n%v", place, err)
		}
	}
}

func TestAMaskOfAllBitsIsNone(t *testing.T) {
	s := parsed(t, "[decoder]\nmaker = 13\n[registers.3]\nmask = 0b1111_1111\n")
	if d := cmp.Diff([]Entry{{Registers: []cv.Register{reg(3)}}}, s.Entries); d != "" {
		t.Error(d)
	}
}

func TestTheBitsOfAReadOnlyRegisterMayHaveNames(t *testing.T) {
	s := parsed(t, "[decoder]\nmaker = 13\n[registers.30]\nread_only = true\nbits.7 = \"short circuit\"\n")
	if got := s.Entries[0].Bits[7]; got != "short circuit" {
		t.Errorf("%q", got)
	}
}

var sameContent = cmp.Options{cmpopts.EquateEmpty()}

func TestASheetReadsBackAsItWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anySheet(t)
		text := want.Append(nil)
		got, err := Parse("f.toml", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(want, got, sameContent); d != "" {
			t.Fatalf("%s\n%s", d, text)
		}
		if d := cmp.Diff(string(text), string(got.Append(nil))); d != "" {
			t.Fatalf("the text is not stable: %s", d)
		}
		for _, e := range got.Entries {
			for n, r := range e.Registers {
				if found, at, ok := got.Entry(r); !ok || at != n || !slices.Equal(e.Registers, found.Registers) {
					t.Fatalf("register %v found as %d of %v", r, at, found.Registers)
				}
				if name := e.nameOf(n); name != "" {
					if rs, err := got.ParseRange(name); err != nil || !slices.Equal(rs, []cv.Register{r}) {
						t.Fatalf("%q is %v, %v; want %v", name, rs, err, r)
					}
				}
				if e.Default != nil && !e.ReadOnly && got.Refuse(r, 255, e.Default[n]) != "" {
					t.Fatal(got.Refuse(r, 255, e.Default[n]))
				}
			}
		}
	})
}

// anySheet gives a sheet without mistakes, in its order.
func anySheet(t *rapid.T) Sheet {
	s := Sheet{
		Title:  anyText(t, "title"),
		From:   rapid.SliceOfN(rapid.StringMatching(`[ -~äé→]{0,20}`), 0, 3).Draw(t, "from"),
		Groups: rapid.SliceOfNDistinct(rapid.StringMatching(`[a-z ]{1,9}`), 0, 3, rapid.ID).Draw(t, "groups"),
	}
	maker := rapid.Uint8().Draw(t, "maker")
	s.Decoder.Maker = &maker
	if rapid.Bool().Draw(t, "versioned") {
		version := rapid.Uint8().Draw(t, "version")
		s.Decoder.Version = &version
	}
	for low := range rapid.Uint8Max(2).Draw(t, "pages") {
		s.Pages = append(s.Pages, cv.Page{High: 16, Low: low})
	}
	for _, page := range append([]cv.Page{{}}, s.Pages...) {
		n, last := nmra.CV(1), nmra.MaxCV
		if page != (cv.Page{}) {
			n, last = cv.FirstIndexed, cv.LastIndexed
		}
		for {
			n += nmra.CV(rapid.IntRange(0, 200).Draw(t, "gap"))
			size := nmra.CV(rapid.SampledFrom([]int{1, 1, 1, 2, 28}).Draw(t, "size"))
			if n+size > last {
				break
			}
			var rs []cv.Register
			for range size {
				rs = append(rs, cv.Register{CV: n, Page: page})
				n++
			}
			switch rapid.IntRange(0, 5).Draw(t, "kind") {
			case 0:
				s.Absent = append(s.Absent, rs...)
			case 1:
				s.Changing = append(s.Changing, rs...)
				fallthrough
			default:
				s.Entries = append(s.Entries, anyEntry(t, rs, s.Groups))
			}
		}
	}
	s.sortEntries()
	return s
}

func anyEntry(t *rapid.T, rs []cv.Register, groups []string) Entry {
	e := Entry{Registers: rs, Note: anyText(t, "note"), ReadOnly: rapid.Bool().Draw(t, "read only")}
	if rapid.Bool().Draw(t, "named") {
		at := strings.NewReplacer("@", "-", ".", "-").Replace(rs[0].String())
		e.Name = rapid.StringMatching(`[a-zé]{1,9}( [a-z(/]{1,5})?`).Draw(t, "name") + " " + at + "th" // no other has it
	}
	if len(groups) > 0 {
		e.Group = rapid.SampledFrom(groups).Draw(t, "group")
	}
	if !e.ReadOnly && rapid.Bool().Draw(t, "masked") {
		e.Mask = rapid.Uint8Range(1, 254).Draw(t, "mask")
		e.Fixed = rapid.Uint8().Draw(t, "fixed") &^ e.Mask
	}
	value := func(label string) []uint8 { return rapid.SliceOfN(rapid.Uint8(), len(rs), len(rs)).Draw(t, label) }
	if rapid.Bool().Draw(t, "held") {
		e.Held = value("held")
	}
	if rapid.Bool().Draw(t, "default") {
		e.Default = value("default")
		for i := range e.Default {
			if !e.ReadOnly {
				e.Default[i] = e.Default[i]&e.mask() | e.Fixed
			}
		}
	}
	if !e.ReadOnly && e.Default == nil && rapid.Bool().Draw(t, "valued") {
		e.Values = anyByteRanges(t)
	}
	for n := range uint8(8) {
		if (e.ReadOnly || (e.mask()|e.Fixed)>>n&1 == 1) && rapid.IntRange(0, 9).Draw(t, "bit") == 0 {
			if e.Bits == nil {
				e.Bits = map[uint8]string{}
			}
			e.Bits[n] = fmt.Sprintf("lamp %d", n)
		}
	}
	return e
}

func anyByteRanges(t *rapid.T) []cv.ByteRange {
	ends := rapid.SliceOfNDistinct(rapid.IntRange(0, 84), 2, 8, rapid.ID).Draw(t, "values")
	slices.Sort(ends)
	var out []cv.ByteRange
	for i := 0; i+1 < len(ends); i += 2 {
		out = append(out, cv.ByteRange{Low: uint8(3 * ends[i]), High: uint8(3*ends[i+1] - 2)}) // a gap is left
	}
	return out
}

func anyText(t *rapid.T, label string) string {
	return rapid.StringMatching(`[ -~äé→]{0,20}`).Draw(t, label)
}

func TestFindingsReadBackAsTheyWereWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		maker, version := rapid.Uint8().Draw(t, "maker"), rapid.Uint8().Draw(t, "version")
		want := Findings{
			Decoder: regset.Guard{Maker: &maker, Version: &version}, Station: anyText(t, "station"),
			When: time.Unix(rapid.Int64Range(0, 1<<36).Draw(t, "seconds"), 0).UTC(),
		}
		n := nmra.CV(1)
		var f Finding
		for range rapid.IntRange(0, 20).Draw(t, "findings") {
			n += nmra.CV(rapid.SampledFrom([]int{1, 1, 1, 1, 9, 40}).Draw(t, "gap"))
			if rapid.Bool().Draw(t, "as before") {
				f.Register = reg(n)
				want.Found = append(want.Found, f)
				continue
			}
			f = Finding{Register: reg(n), Writable: rapid.Bool().Draw(t, "writable")}
			if f.Writable {
				f.Mask = rapid.Uint8Min(1).Draw(t, "mask")
				f.LeftAlone = rapid.Uint8().Draw(t, "left alone") &^ f.Mask
				if rapid.Bool().Draw(t, "valued") {
					f.Values = anyByteRanges(t)
				}
			}
			want.Found = append(want.Found, f)
		}
		text := want.Append(nil)
		got, err := ParseFindings("f.toml", text)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if d := cmp.Diff(want, got, sameContent); d != "" {
			t.Fatalf("%s\n%s", d, text)
		}
	})
}

func TestAFindingThatContradictsItselfIsRefusedWithItsPlace(t *testing.T) {
	const top = "when = 2026-11-25T07:41:03Z\n"
	for text, want := range map[string]string{
		"[found]\n":                          "f.toml:1:1: found no key \"when\"",
		top:                                  "f.toml:1:1: found no key \"found\"",
		top + "[found.3]\n":                  "f.toml:2:8: found no key \"writable\"",
		top + "[found.3]\nwritable = 1\n":    "f.toml:3:12: found 1, want true or false",
		top + "[found.3]\nwritable = true\n": "f.toml:2:8: found no mask",
		top + "[found.3]\nwritable=false\nmask=1":               "f.toml:4:6: found bits of a register that can't be written",
		top + "[found.3]\nwritable=true\nmask=3\nleft_alone=2":  "f.toml:5:12: found bit 1 both in the mask and left alone",
		top + "[found.3]\nwritable=true\nmask=0":                "f.toml:4:6: found 0, want a whole number from 1 to 255",
		top + "[found.3]\nwritable=true\nmask=256":              "f.toml:4:6: found 256, want a whole number from 1 to 255",
		top + "[found.3]\nwritable=true\nmask=1\nvalues=[]":     "f.toml:5:8: found an empty list",
		top + "[found.3]\nwritable=false\nvalues=[\"1\"]":       "f.toml:4:8: found values of a register that can't be written",
		top + "[found.3]\nwritable=false\n[found.\"2-3\"]":      "f.toml:4:8: found register 3 a second time",
		top + "[found.x]\nwritable=false\n":                     "f.toml:2:8: found \"x\", want a register",
		top + "found = 3\n":                                     "f.toml:2:9: found 3, want a table",
		top + "[found.3]\nwritable=false\nwirtable=true":        "found unknown key \"wirtable\"",
		top + "[found.3]\nwritable=true\nmask=1\nvalues=[\"\"]": "f.toml:5:9: found \"\", want a value from 0 to 255",
	} {
		if _, err := ParseFindings("f.toml", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n  %v\n  want %s", text, err, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(works), "speed table 3", uint8(61))
	f.Add([]byte("[decoder]\nmaker=13\n[registers.\"1-3\"]\nname=\"a\"\nbits={7=\"b\"}\nmask=128\nfixed=1\ndefault=[1,129,1]"), "a 1.b", uint8(0))
	f.Add([]byte("when = 2026-11-25T07:41:03Z\n[found.\"67-94\"]\nwritable = true\nmask = 255\nvalues = [\"0-180\"]\n"), "67", uint8(200))
	f.Fuzz(func(t *testing.T, data []byte, name string, value uint8) {
		s, err := Parse("f.toml", data)
		if err == nil {
			again, err := Parse("f.toml", s.Append(nil))
			if d := cmp.Diff(s, again, sameContent); err != nil || d != "" {
				t.Errorf("%v %s", err, d)
			}
		} else if !strings.Contains(err.Error(), "found ") {
			t.Error(err)
		}
		rs, err := s.ParseRange(name)
		if err == nil {
			s.Refuse(rs[0], 255, value)
			x, _ := s.ExplainValue(rs[0], value)
			x.Lines()
		}
		if bit, err := s.ParseBit(name); err == nil && (bit.Bit > 7 || !bit.Register.Valid()) {
			t.Errorf("%q is %v", name, bit)
		}
		if f, err := ParseFindings("f.toml", data); err == nil {
			again, err := ParseFindings("f.toml", f.Append(nil))
			if d := cmp.Diff(f, again, sameContent); err != nil || d != "" {
				t.Errorf("%v %s", err, d)
			}
		}
	})
}
