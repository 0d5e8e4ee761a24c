package regset

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

func Example() {
	set, err := Parse("tram.toml", []byte(`
title = "Harbour tram 3, street running"
[address]
long = 4203
[registers]
3 = 12
[bits]
29.3 = true
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	wanted, err := set.Wanted(cv.Values{{CV: 29}: 0b0000_0110})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range wanted.Registers() {
		fmt.Println(r, wanted[r])
	}
	// Output:
	// 3 12
	// 17 208
	// 18 107
	// 29 46
}

func reg(n nmra.CV) cv.Register { return cv.Register{CV: n} }

func bit(n nmra.CV, b uint8) cv.Bit { return cv.Bit{Register: reg(n), Bit: b} }

func TestASetIsReadAsItIsMeant(t *testing.T) {
	s, err := Read("../../testdata/sets/engine-30-quay.toml")
	if err != nil {
		t.Fatal(err)
	}
	if *s.Decoder.Maker != 13 || *s.Decoder.Version != 34 || s.Title != "Night-mail engine 30, quay line" {
		t.Errorf("got %+v", s)
	}
	page := cv.Page{High: 16, Low: 3}
	if s.Registers[cv.Register{CV: 302, Page: page}] != 120 || s.Registers[reg(94)] != 248 || len(s.Registers) != 5+1+28+4+1+4 {
		t.Errorf("got %v", s.Registers)
	}
	held := cv.Values{reg(29): 0b0000_1110, {CV: 261, Page: cv.Page{High: 16}}: 0}
	wanted, err := s.Wanted(held)
	if err != nil {
		t.Fatal(err)
	}
	// NMRA S-9.2.2 (July 2012), CV 17 and 18: (CV 17 - 192) x 256 + CV 18; CV 29, bits 4 and 5.
	for r, want := range (cv.Values{reg(17): 192 + 11, reg(18): 214, reg(29): 0b0011_1110, {CV: 261, Page: cv.Page{High: 16}}: 2}) {
		if wanted[r] != want {
			t.Errorf("register %v: got %d, want %d", r, wanted[r], want)
		}
	}
	if !slices.Equal(wanted.Registers(), s.Needs()) {
		t.Errorf("Needs gives %v, Wanted %v", s.Needs(), wanted.Registers())
	}
}

func TestAShortAddressTurnsTheLongOneOff(t *testing.T) {
	s := Set{Address: nmra.Address{Kind: nmra.Short, Number: 21}}
	wanted, err := s.Wanted(cv.Values{reg(29): 0xFF})
	// NMRA S-9.2.2 (July 2012), CV 1; CV 29, bit 5.
	if want := (cv.Values{reg(1): 21, reg(29): 0b1101_1111}); err != nil || !maps.Equal(wanted, want) {
		t.Errorf("got %v, %v; want %v", wanted, err, want)
	}
}

func TestSingleBitsNeedTheByteThatTheyAreIn(t *testing.T) {
	s := Set{Bits: map[cv.Bit]bool{bit(29, 3): true, bit(27, 0): true, bit(27, 1): false}}
	_, err := s.Wanted(cv.Values{reg(29): 6})
	var unknown Unknown
	if !errors.As(err, &unknown) || !strings.Contains(err.Error(), "single bits of 27,") {
		t.Fatalf("got %v", err)
	}
	wanted, err := s.Wanted(cv.Values{reg(29): 6, reg(27): 0b110})
	if want := (cv.Values{reg(29): 14, reg(27): 0b101}); err != nil || !maps.Equal(wanted, want) {
		t.Errorf("got %v, %v", wanted, err)
	}
}

func TestASetThatMustNotBeWrittenIsRefusedWithItsPlace(t *testing.T) {
	for _, c := range []struct{ name, data, want string }{
		{"nothing to set", "title = \"a\"", "f.toml:1:1: found nothing to set, want something in [address], [registers] or [bits]"},
		{"nothing in its tables", "[registers]\n[bits]\n", "f.toml:1:1: found nothing to set, want something in [address], [registers] or [bits]"},
		{"unknown format", "format = 2\n[registers]\n3=1", "f.toml:1:10: found 2, want 1"},
		{"unknown key", "titel = \"a\"\n[registers]\n3 = 1", `f.toml:1:1: found unknown key "titel", want one of address, bits, decoder, format, registers, title`},
		{"maker 256", "[decoder]\nmaker = 256\n[registers]\n3=1", "f.toml:2:9: found 256, want a whole number from 0 to 255"},
		{"no address", "[address]", "f.toml:1:2: found no address, want long = 0 to 10239, or short = 1 to 127"},
		{"two addresses", "address = { long = 1, short = 1 }", "f.toml:1:31: found a short address beside a long one, want one of the two"},
		// NMRA S-9.2.1 (July 2012): 7-bit addresses 1 to 127, 14-bit addresses up to 10239.
		{"short address 0", "address.short = 0", "f.toml:1:17: found 0, want a whole number from 1 to 127"},
		{"short address 128", "address.short = 128", "f.toml:1:17: found 128, want a whole number from 1 to 127"},
		{"long address 10240", "address.long = 10240", "f.toml:1:16: found 10240, want a whole number from 0 to 10239"},
		// NMRA S-9.2.2 (July 2012), CV 1: bit 7 must be 0.
		{"register 1 = 128", "[registers]\n1 = 128", "f.toml:2:1: found 128 in register 1, want a short address from 1 to 127"},
		{"register 1 = 0", "[registers]\n1 = 0", "f.toml:2:1: found 0 in register 1, want a short address from 1 to 127"},
		{"bit of an address", "[bits]\n1.7 = true", "f.toml:2:3: found bit 1.7, want [address], or whole registers: an address is one number"},
		// NMRA S-9.2.2 (July 2012), CV 7 and 8: read only.
		{"register 7", "[registers]\n7 = 1",
			"f.toml:2:1: found register 7, want it left out: 7 and 8 say what the decoder is, and are never written"},
		{"register 8 in a range", "[registers]\n\"8-9\" = [8, 1]",
			"f.toml:2:1: found register 8, want it left out: 7 and 8 say what the decoder is, and are never written"},
		{"bit of register 8", "[bits]\n\"8.3\" = true",
			"f.toml:2:1: found bit 8.3, want it left out: 7 and 8 say what the decoder is, and are never written"},
		{"address and register 1", "[address]\nshort = 3\n[registers]\n1 = 3",
			"f.toml:4:1: found register 1 beside [address], want the address in one place"},
		{"address and a range over 17", "[address]\nshort = 3\n[registers]\n\"16-17\" = [1, 192]",
			"f.toml:4:1: found register 17 beside [address], want the address in one place"},
		{"address and bit 5 of 29", "[address]\nlong = 3\n[bits]\n29.5 = true",
			"f.toml:4:4: found bit 29.5 beside [address], want the address in one place"},
		{"long address and 29 without bit 5", "[address]\nlong = 3\n[registers]\n29 = 6",
			"f.toml:4:1: found 6 in register 29, want its bit 5 on: the address is long"},
		{"short address and 29 with bit 5", "[address]\nshort = 3\n[registers]\n29 = 38",
			"f.toml:4:1: found 38 in register 29, want its bit 5 off: the address is short"},
		{"register and its bit", "[registers]\n29 = 6\n[bits]\n29.3 = true",
			"f.toml:4:4: found bit 29.3, want it in one place: the whole register is under [registers]"},
		// NMRA S-9.2.2 (July 2012), CV 31 and 32 choose what stands behind 257 to 512.
		{"page register beside a page", "[registers]\n31 = 16\n\"260@16.3\" = 1",
			"f.toml:2:1: found register 31 in a set with registers of 257 to 512, want their page in their names, as 260@16.3"},
		{"page register beside a bit behind it", "[registers]\n32 = 0\n[bits]\n260.1 = true",
			"f.toml:2:1: found register 32 in a set with registers of 257 to 512, want their page in their names, as 260@16.3"},
		{"all at once", "[registers]\n7 = 1\n3 = 256\n[bits]\n8.1 = true", strings.Join([]string{
			"f.toml:3:5: found 256, want a value from 0 to 255",
			"f.toml:5:3: found bit 8.1, want it left out: 7 and 8 say what the decoder is, and are never written"}, "\n")},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := Parse("f.toml", []byte(c.data))
			var all *regtoml.Errors
			if !errors.As(err, &all) {
				t.Fatalf("got %v, %v; want Errors", s, err)
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Error(d)
			}
			if d := cmp.Diff(Set{}, s); d != "" {
				t.Errorf("something of the file was used: %s", d)
			}
		})
	}
}

// Sets are made by commands too, not from files alone.
func TestASetThatNoFileCouldSayIsRefusedToo(t *testing.T) {
	for name, s := range map[string]Set{
		"version":            {Registers: cv.Values{reg(7): 1}},
		"maker, for a reset": {Registers: cv.Values{reg(8): 8}},
		"register 0":         {Registers: cv.Values{reg(0): 1}},
		"register 1025":      {Registers: cv.Values{reg(1025): 1}},
		"page of register 3": {Registers: cv.Values{{CV: 3, Page: cv.Page{High: 16}}: 1}},
		"bit 8":              {Bits: map[cv.Bit]bool{bit(29, 8): true}},
		"accessory":          {Address: nmra.Address{Kind: nmra.BasicAccessory, Number: 3}},
		"long address":       {Address: nmra.Address{Kind: nmra.Long, Number: 10240}},
		"byte and bit":       {Registers: cv.Values{reg(29): 6}, Bits: map[cv.Bit]bool{bit(29, 3): true}},
	} {
		held := cv.Values{}
		for n := range nmra.MaxCV {
			held[reg(n+1)] = 0
		}
		if wanted, err := s.Wanted(held); err == nil {
			t.Errorf("%s: got %v", name, wanted)
		}
	}
}

func TestASurveyThatContradictsItselfIsRefusedWithItsPlace(t *testing.T) {
	for _, c := range []struct{ name, data, want string }{
		{"no time", "[registers]\n3 = 1", `f.toml:1:1: found no key "when", want one`},
		{"local time", "when = 2026-11-25T07:41:03\n[registers]",
			"f.toml:1:8: found the time 2026-11-25T07:41:03, want a date and time with its zone, as 2026-11-25T07:41:03Z"},
		{"absent and held", "when = 2026-11-25T07:41:03Z\nabsent = [\"3\"]\n[registers]\n3 = 1",
			"f.toml:2:10: found register 3 here and in registers, want it in one of the two"},
		{"absent and unsure", "when = 2026-11-25T07:41:03Z\nabsent = [\"3\"]\nunsure = [\"2-3\"]\n[registers]",
			"f.toml:3:10: found register 3 here and in absent, want it in one of the two"},
		{"absent and changing", "when = 2026-11-25T07:41:03Z\nabsent = [\"3\"]\nchanging = [\"3\"]\n[registers]",
			"f.toml:3:12: found register 3 here and in absent, want it in one of the two"},
		{"left and held", "when = 2026-11-25T07:41:03Z\nleft = [\"3\"]\n[registers]\n3 = 1",
			"f.toml:2:8: found register 3 here and in registers, want it in one of the two"},
		{"once, and not held", "when = 2026-11-25T07:41:03Z\nonce = [\"3\"]\nleft = [\"3\"]\n[registers]",
			"f.toml:2:8: found register 3, want one that registers has"},
		{"cut short", "when = 2026-11-25T07:41:03Z\nof = [\"1-9\"]\nabsent = [\"3\"]\nunsure = [\"4\"]\nleft = [\"5\"]\n[registers]\n1 = 1",
			"f.toml:2:6: found nothing of 2, 6-9 in the file, want each register in registers, absent, unsure or left: has it been cut short?"},
		{"wanted bits", "when = 2026-11-25T07:41:03Z\n[registers]\n[bits]\n29.3 = true",
			`f.toml:3:2: found unknown key "bits", want one of absent, changing, decoder, format, left, of, once, pages, registers, station, unsure, when`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParseSurvey("f.toml", []byte(c.data))
			if err == nil {
				t.Fatal("it was read")
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestAFileIsTakenForWhatItHolds(t *testing.T) {
	f, err := ReadAny("../../testdata/surveys/tram-3-bought.toml")
	if s, ok := f.(Survey); !ok || err != nil || s.Registers[reg(29)] != 38 || !s.When.Equal(time.Date(2026, 11, 25, 7, 41, 3, 0, time.UTC)) {
		t.Errorf("got %v, %v", f, err)
	}
	f, err = ReadAny("../../testdata/sets/tram-3-street.toml")
	if s, ok := f.(Set); !ok || err != nil || s.Address.Number != 4203 {
		t.Errorf("got %v, %v", f, err)
	}
	if f, err := ReadAny("../../testdata"); f != nil || err == nil || err.Error() != "../../testdata:1:1: found a folder, want a file" {
		t.Errorf("got %v, %v", f, err)
	}
	if f, err := ReadAny("none.toml"); f != nil || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v, %v", f, err)
	}
}

func TestAHugeFileIsRefusedUnread(t *testing.T) {
	path := filepath.Join(t.TempDir(), "huge.toml")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 100_000_000); err != nil {
		t.Fatal(err)
	}
	if _, err := Read(path); err == nil || err.Error() != path+":1:1: found 100000000 bytes, want at most 1048576" {
		t.Errorf("got %v", err)
	}
}

func TestAFileIsWrittenWholeAndKeepsItsPermissions(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "set.toml")
	for _, text := range []string{"first", "second"} {
		if err := WriteFile(path, []byte(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != text {
			t.Fatalf("got %q, %v", got, err)
		}
		if err := os.Chmod(path, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("got %v, %v", info.Mode(), err)
	}
	// A folder can't be replaced by a file: what was begun is taken away again.
	if err := os.Mkdir(filepath.Join(folder, "a"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := WriteFile(filepath.Join(folder, "a"), []byte("x")); err == nil {
		t.Error("a folder was replaced")
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 2 {
		t.Errorf("got %v, %v; want set.toml and a", left, err)
	}
}

func TestASurveyOnDiskIsInCanonicalText(t *testing.T) {
	const path = "../../testdata/surveys/tram-3-bought.toml"
	text, err := ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ReadSurvey(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(text), string(s.Append(nil))); d != "" {
		t.Error(d)
	}
}

func TestEverySetOfTheScenarioReads(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/sets/*.toml")
	if err != nil || len(paths) < 5 {
		t.Fatalf("got %v, %v", paths, err)
	}
	for _, path := range paths {
		s, err := Read(path)
		if err != nil {
			t.Error(err)
			continue
		}
		if s.Decoder.Maker == nil || *s.Decoder.Maker != 13 || s.Decoder.Version == nil || s.Title == "" || len(s.Needs()) < 4 {
			t.Errorf("%s: %+v", path, s)
		}
	}
}
