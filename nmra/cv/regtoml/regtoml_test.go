package regtoml

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
)

// read asks a file for one of everything, as a reader of ours would.
func read(data string) error {
	d, err := Parse("f.toml", []byte(data))
	if err != nil {
		return err
	}
	r := d.Root()
	r.String("title")
	r.Bool("on")
	r.Int("whole", 0, 255)
	r.Float("ratio", 0, 1)
	r.Time("when")
	r.Strings("names")
	r.Ints("pair", 0, 255)
	r.RegisterRanges("absent")
	r.Pages("pages")
	r.Values("registers")
	r.ValuesShort("held")
	r.Bits("bits")
	if t, ok := r.Table("decoder"); ok {
		t.Require("maker")
		t.Int("maker", 0, 255)
	}
	return d.Err()
}

func TestWhatIsWrongIsSaidWithItsPlace(t *testing.T) {
	for _, c := range []struct{ name, data, want string }{
		{"empty", "", "f.toml:1:1: found nothing but space and comments, want a file that says something"},
		{"only comments", "# a\r\n\r\n", "f.toml:1:1: found nothing but space and comments, want a file that says something"},
		{"too large", strings.Repeat("#", MaxBytes+1), "f.toml:1:1: found 1048577 bytes, want at most 1048576"},
		{"not UTF-8", "title = \"a\"\n# caf\xe9\n", "f.toml:2:6: found byte 0xE9, want text in UTF-8"},
		{"UTF-16", "\xff\xfet\x00", "f.toml:1:1: found byte 0xFF, want text in UTF-8"},
		{"NUL", "title = \x00", `f.toml:1:9: found "\x00", want TOML: unexpected character U+0000 at start of value`},
		{"no value", "title =\n", `f.toml:1:8: found "\n", want TOML: unexpected character U+000A at start of value`},
		{"no equals sign", "title\n", `f.toml:1:6: found "\n", want '=' after key`},
		{"cut short", "title = \"Tram", `f.toml:1:13: found "m", want TOML: unterminated basic string`},
		{"page without quotes", "[registers]\n260@16.3 = 7\n", `f.toml:2:4: found "@", want '=' after key; a key with @ in it stands in quotes: "260@16.3"`},
		{"list of tables", "[[registers]]\n3 = 1\n", "f.toml:1:3: found a list of tables, want a table: [registers], once"},
		{"key twice", "whole = 1\n\"whole\" = 2\n", `f.toml:2:1: found "whole" a second time, want it once; the first is on line 1`},
		{"table twice", "[decoder]\nmaker=13\n[decoder]\nmaker=14\n", `f.toml:3:2: found "decoder" a second time, want it once; the first is on line 1`},
		{"table behind dotted key", "decoder.maker=13\n[decoder]\n", `f.toml:2:2: found "decoder" a second time, want it once; the first is on line 1`},
		{"dotted key behind table", "[decoder.x]\n[decoder]\nmaker=1\nx.y=1", strings.Join([]string{
			`f.toml:1:10: found unknown key "x", want one of maker`,
			`f.toml:4:1: found "x" a second time, want it once; the first is on line 1`}, "\n")},
		{"inline table is closed", "decoder={maker=13}\n[decoder.more]\n", `f.toml:2:2: found "decoder" a second time, want it once; the first is on line 1`},
		{"value behind key of it", "bits = {29 = true, 29.3 = true}", strings.Join([]string{
			`f.toml:1:9: found "29", want a bit from 0 to 7 of a register, as 29.5 or 260@16.3.5`,
			`f.toml:1:20: found "29" a second time, want it once; the first is on line 1`}, "\n")},
		{"key of many parts", "a.a.a.a.a.a.a.a.a = 1", `f.toml:1:1: found a key of 9 parts, want at most 8`},
		{"unknown key", "[decoder]\nmaker=13\nmakr=13", `f.toml:3:1: found unknown key "makr", want one of maker`},
		{"unknown table", "[decode]\nmaker=13", `f.toml:1:2: found unknown key "decode", want one of ` +
			`absent, bits, decoder, held, names, on, pages, pair, ratio, registers, title, when, whole`},
		{"missing key", "[decoder]", `f.toml:1:2: found no key "maker" in "decoder", want one`},
		{"columns are characters", `title = "é" x`, `f.toml:1:13: found "x", want newline`},
		{"lines behind CRLF", "on = true\r\nwhole = 256\r\n", "f.toml:2:9: found 256, want a whole number from 0 to 255"},
		{"mark at the start", "\ufeffwhole = -1", "f.toml:1:9: found -1, want a whole number from 0 to 255"},
		{"huge number", "whole = 99999999999999999999", "f.toml:1:9: found 99999999999999999999, want a whole number from 0 to 255"},
		{"text for number", `whole = "13"`, `f.toml:1:9: found text "13", want a whole number from 0 to 255`},
		{"fraction for whole", `whole = 13.0`, `f.toml:1:9: found 13.0, want a whole number from 0 to 255`},
		{"number for text", `title = 13`, `f.toml:1:9: found 13, want text in quotes`},
		{"number for truth", `on = 1`, `f.toml:1:6: found 1, want true or false`},
		{"not a number", `ratio = nan`, `f.toml:1:9: found nan, want a number from 0 to 1`},
		{"infinity", `ratio = inf`, `f.toml:1:9: found inf, want a number from 0 to 1`},
		{"too much", `ratio = 2`, `f.toml:1:9: found 2, want a number from 0 to 1`},
		{"escape in text", `title = "\u001B[2J"`, `f.toml:1:9: found the character U+001B in text, want text that prints on one line`},
		{"day without time", `when = 2026-11-25`, `f.toml:1:8: found the time 2026-11-25, want a date and time with its zone, as 2026-11-25T07:41:03Z`},
		{"no such day", `when = 2026-13-25T00:00:00Z`, `f.toml:1:8: found the time 2026-13-25T00:00:00Z, want a date and time with its zone, as 2026-11-25T07:41:03Z`},
		{"list of mixed", `names = ["a", 1]`, `f.toml:1:15: found 1, want text in quotes`},
		{"list in list", "pair = [\n 1,\n [2]\n]", `f.toml:1:8: found a list, want a whole number from 0 to 255`},
		{"table for list", "pair = { a = 1 }", `f.toml:1:8: found a table, want a list, each a whole number from 0 to 255`},
		{"register range twice", `absent = ["7", "5-9"]`, `f.toml:1:16: found register 7 a second time in the list, want it once`},
		{"not a range", `absent = ["7-"]`, `f.toml:1:11: found "7-", want a register: a CV from 1 to 1024, as 3, 67-94 or 260@16.3`},
		{"number for range", `absent = [7]`, `f.toml:1:11: found 7, want a register or a range in quotes, as "7" or "112-115"`},
		{"page twice", `pages = ["16.3", "16.3"]`, `f.toml:1:18: found page 16.3 a second time in the list, want it once`},
		{"reserved page", `pages = ["15.3"]`, `f.toml:1:10: found "15.3", want an index page with CV 31 from 16 to 255: 0 to 15 are reserved`},
		{"register 0", "[registers]\n0 = 1", `f.toml:2:1: found "0", want a register: a CV from 1 to 1024, as 3, 67-94 or 260@16.3`},
		{"register 1025", "[registers]\n1025 = 1", `f.toml:2:1: found "1025", want a register: a CV from 1 to 1024, as 3, 67-94 or 260@16.3`},
		{"value 256", "[registers]\n3 = 0x100", `f.toml:2:5: found 0x100, want a value from 0 to 255`},
		{"value -1", "[registers]\n3 = -1", `f.toml:2:5: found -1, want a value from 0 to 255`},
		{"page on a register that has none", "[registers]\n\"29@16.3\" = 1", `f.toml:2:1: found "29@16.3", want a page on registers 257 to 512 only, where there are pages`},
		{"register twice through ranges", "[registers]\n\"67-70\" = [1,2,3,4]\n\"70-71\" = [4,5]",
			`f.toml:3:1: found register 70 a second time, want it once; the first is on line 2`},
		{"bad value and twice", "[registers]\n3 = 256\n\"2-3\" = [1,1]", strings.Join([]string{
			`f.toml:2:5: found 256, want a value from 0 to 255`,
			`f.toml:3:1: found register 3 a second time, want it once; the first is on line 2`}, "\n")},
		{"list too short", "[registers]\n\"67-70\" = [1,2,3]", `f.toml:2:11: found a list of 3 values, want 4, one for each register of 67-70`},
		{"one value for a range", "[registers]\n\"67-70\" = 1", `f.toml:2:11: found 1, want a list of values from 0 to 255, one for each register of 67-70`},
		{"list for one register", "[registers]\n67 = [1]", `f.toml:2:6: found a list, want a value from 0 to 255`},
		{"list too long", "[held]\n\"67-68\" = [1,2,3]", `f.toml:2:11: found a list of 3 values, want at most 2, one for each register of 67-68`},
		{"bit among registers", "[registers]\n29.3 = 1", `f.toml:2:1: found a table, want a value from 0 to 255`},
		{"bit 8", "[bits]\n29.8 = true", `f.toml:2:4: found "29.8", want a bit from 0 to 7 of a register, as 29.5 or 260@16.3.5`},
		{"bit of nothing", "[bits]\n29.3.1.1.1 = true", `f.toml:2:8: found "29.3.1", want a register: a CV from 1 to 1024, as 3, 67-94 or 260@16.3`},
		{"number for a bit", "[bits]\n29.3 = 1", `f.toml:2:8: found 1, want true or false`},
		{"bit twice, dotted and quoted", "[bits]\n29.3 = true\n\"29.3\" = true", `f.toml:3:1: found bit 29.3 a second time, want it once; the first is on line 2`},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := read(c.data)
			var all *Errors
			if !errors.As(err, &all) {
				t.Fatalf("got %v, want Errors", err)
			}
			if d := cmp.Diff(c.want, err.Error()); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestAFileIsReadAsItIsMeant(t *testing.T) {
	d, err := Parse("f.toml", []byte("\ufeff"+`# a comment
title = 'Harbour tram 3'
on = true
ratio = 0.5
when = 2026-11-25 07:41:03+01:00
names = ["a", "b"]
pair = [0, 0b1011_0100]
absent = ["112-113", "7"]
pages = ["16.3", "16.0"]
[registers]
3 = 12
4 = 0xFF
5 = 0o17
6 = +1_0
"67-70" = [2, 5, 9, 14] # the slow end
"260@16.3" = 7
[held]
"67-70" = [9]
[bits]
29.3 = true
"29.4" = false
"260@16.3.1" = true
"261@16".3.2 = true
[bits.30]
0 = true
[decoder]
maker = 13
`))
	if err != nil {
		t.Fatal(err)
	}
	r := d.Root()
	page := cv.Page{High: 16, Low: 3}
	expect := func(name string, got, want any, ok bool) {
		t.Helper()
		if diff := cmp.Diff(want, got); diff != "" || !ok {
			t.Errorf("%s: ok %v, %s", name, ok, diff)
		}
	}
	title, ok := r.String("title")
	expect("title", title, "Harbour tram 3", ok)
	on, ok := r.Bool("on")
	expect("on", on, true, ok)
	ratio, ok := r.Float("ratio", 0, 1)
	expect("ratio", ratio, 0.5, ok)
	when, ok := r.Time("when")
	expect("when", when.UTC(), time.Date(2026, 11, 25, 6, 41, 3, 0, time.UTC), ok)
	names, ok := r.Strings("names")
	expect("names", names, []string{"a", "b"}, ok)
	pair, ok := r.Ints("pair", 0, 180)
	expect("pair", pair, []int64{0, 180}, ok)
	absent, ok := r.RegisterRanges("absent")
	expect("absent", absent, []cv.Register{{CV: 7}, {CV: 112}, {CV: 113}}, ok)
	pages, ok := r.Pages("pages")
	expect("pages", pages, []cv.Page{{High: 16}, page}, ok)
	values, ok := r.Values("registers")
	expect("registers", values, cv.Values{{CV: 3}: 12, {CV: 4}: 255, {CV: 5}: 15, {CV: 6}: 10,
		{CV: 67}: 2, {CV: 68}: 5, {CV: 69}: 9, {CV: 70}: 14, {CV: 260, Page: page}: 7}, ok)
	held, ok := r.ValuesShort("held")
	expect("held", held, cv.Values{{CV: 67}: 9, {CV: 68}: 0, {CV: 69}: 0, {CV: 70}: 0}, ok)
	bits, ok := r.Bits("bits")
	expect("bits", bits, map[cv.Bit]bool{
		{Register: cv.Register{CV: 29}, Bit: 3}:              true,
		{Register: cv.Register{CV: 29}, Bit: 4}:              false,
		{Register: cv.Register{CV: 30}, Bit: 0}:              true,
		{Register: cv.Register{CV: 260, Page: page}, Bit: 1}: true,
		{Register: cv.Register{CV: 261, Page: page}, Bit: 2}: true,
	}, ok)
	decoder, ok := r.Table("decoder")
	expect("decoder", decoder.Keys()[0].Name, "maker", ok)
	if _, ok := r.String("nothing"); ok {
		t.Error("a key was found that is not there")
	}
	if err := d.Err(); err != nil {
		t.Error(err)
	}
}

func TestAllErrorsOfAFileAreCountedAndTwentyListed(t *testing.T) {
	var s strings.Builder
	s.WriteString("[registers]\n")
	for i := range 30 {
		fmt.Fprintf(&s, "%d = 256\n", i+1)
	}
	err := read(s.String())
	lines := strings.Split(err.Error(), "\n")
	if len(lines) != MaxErrors+1 || lines[MaxErrors] != "f.toml: and 10 more" || !strings.HasPrefix(lines[0], "f.toml:2:") {
		t.Errorf("got %v", err)
	}
}

func TestAnErrorOfAReaderStandsWhereItPoints(t *testing.T) {
	d, err := Parse("f.toml", []byte("title = \"a\"\n[registers]\n\"2-3\" = [1, 2]\n[bits]\n29.3 = true\n"))
	if err != nil {
		t.Fatal(err)
	}
	r := d.Root()
	r.String("title")
	r.Values("registers")
	r.Bits("bits")
	r.Errorf("title", "a")
	r.Errorf("nothing", "b")
	r.RegisterErrorf("registers", cv.Register{CV: 3}, "c")
	r.RegisterErrorf("registers", cv.Register{CV: 9}, "d")
	r.BitErrorf("bits", cv.Bit{Register: cv.Register{CV: 29}, Bit: 3}, "e")
	r.BitErrorf("none", cv.Bit{}, "f")
	want := "f.toml:1:1: b\nf.toml:1:1: f\nf.toml:1:9: a\nf.toml:2:2: d\nf.toml:3:1: c\nf.toml:5:4: e"
	if diff := cmp.Diff(want, d.Err().Error()); diff != "" {
		t.Error(diff)
	}
}

// A hostile file costs time in proportion to its size, whatever is in it.
func TestAHostileFileIsRefusedInGoodTime(t *testing.T) {
	fill := func(one string) string { return strings.Repeat(one, (MaxBytes-64)/len(one)) }
	var ranges strings.Builder
	ranges.WriteString("[held]\n")
	for low := 1; low < 400 && ranges.Len() < MaxBytes-64; low++ {
		for high := low + 1; high <= 1024 && ranges.Len() < MaxBytes-64; high++ {
			fmt.Fprintf(&ranges, "\"%d-%d\"=[]\n", low, high)
		}
	}
	var oneLine strings.Builder
	oneLine.WriteString("bits={")
	for i := 0; oneLine.Len() < MaxBytes-64; i++ {
		fmt.Fprintf(&oneLine, "a%d=1,", i)
	}
	oneLine.WriteString("}")
	for name, data := range map[string]string{
		"lists in lists":     "pair = " + fill("["),
		"deep key":           fill("a.") + "a = 1",
		"deep header":        "[" + fill("a.") + "a]",
		"tables in tables":   "decoder = " + fill("{a="),
		"many equal keys":    fill("a=1\n"),
		"many ranges":        ranges.String(),
		"many on one line":   oneLine.String(),
		"deep keys of bits":  "[bits]\n" + fill("29.3.1.1.1.1.1.1.1.1.1.1.1.1.1=1\n"),
		"one key of a MiB":   fill("a") + "=1",
		"one number of them": "whole = " + fill("1"),
	} {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			if read(data) == nil {
				t.Error("nothing was found wrong")
			}
			if took := time.Since(start); took > 30*time.Second {
				t.Errorf("it took %v", took)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("title = \"a\"\r\n[registers]\n3 = 12\n\"67-70\" = [2, 5, 9, 14]\n\"260@16.3\" = 7\n[bits]\n29.3 = true\n\"260@16.3.5\" = false"))
	f.Add([]byte("\ufeffwhen = 2026-11-25T07:41:03Z\nnames = ['a']\npair = [1, 0x2]\nabsent = [\"7-9\"]\npages = [\"16.3\"]\nratio = 1e-3\non = false\nwhole = 0b1"))
	f.Add([]byte("[decoder]\nmaker = 13\n[held]\n\"1-2\" = []\n[[x]]\na = {b.c = 1}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		err := read(string(data))
		var all *Errors
		if err == nil {
			return
		}
		if !errors.As(err, &all) {
			t.Fatalf("got %T", err)
		}
		for _, e := range all.List {
			if e.Line < 1 || e.Column < 1 || !strings.Contains(e.Text, "found ") || !strings.Contains(e.Text, "want ") {
				t.Errorf("%v", e)
			}
		}
	})
}

func ExampleParse() {
	doc, err := Parse("shunter.toml", []byte("title = \"Ferry-berth shunter 7\"\n[registers]\n\"3-4\" = [1, 300]\n[decoders]\nmaker = 13\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	root := doc.Root()
	title, _ := root.String("title")
	values, _ := root.Values("registers")
	if err := doc.Err(); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(title, values)
	// Output:
	// shunter.toml:3:13: found 300, want a value from 0 to 255
	// shunter.toml:4:2: found unknown key "decoders", want one of registers, title
}
