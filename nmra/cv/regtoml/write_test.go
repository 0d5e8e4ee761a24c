package regtoml

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"fettle/nmra/cv"
)

func TestAByteRangeListAscendsWithGaps(t *testing.T) {
	for text, want := range map[string]string{
		`["0-60", "128-188", "255"]`: "",
		`["0", "2", "4-5"]`:          "",
		`["0-60", "61"]`:             "f.toml:1:14: found values 61, want them to ascend",
		`["0-60", "60-70"]`:          "f.toml:1:14: found values 60-70, want them to ascend",
		`["9", "3"]`:                 "f.toml:1:11: found values 3, want them to ascend",
		`["0-256"]`:                  `f.toml:1:6: found "0-256", want a value from 0 to 255`,
		`[7]`:                        "f.toml:1:6: found 7, want values in quotes",
		`"7"`:                        `f.toml:1:5: found text "7", want a list of values`,
	} {
		doc, err := Parse("f.toml", []byte("v = "+text))
		if err != nil {
			t.Fatal(err)
		}
		got, ok := doc.Root().ByteRanges("v")
		err = doc.Err()
		if want == "" && (err != nil || !ok) || want != "" && (err == nil || !strings.Contains(err.Error(), want) || ok) {
			t.Errorf("%s: %v, %v, %v, want %q", text, got, ok, err, want)
		}
		if want == "" {
			back := string(AppendList(nil, "v", got, func(b cv.ByteRange) string { return Quote(b.String()) }))
			if back != "v = "+text+"\n" {
				t.Errorf("%s was written back as %s", text, back)
			}
		}
	}
}

func TestAListOfLongItemsReadsBack(t *testing.T) {
	for _, length := range []int{1, 40, 89, 90, 91, 200} {
		want := []string{strings.Repeat("a", length), "b", strings.Repeat("c", length)}
		doc, err := Parse("f.toml", AppendList(nil, "v", want, Quote))
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := doc.Root().Strings("v"); !ok || !slices.Equal(got, want) {
			t.Errorf("items of %d: %v, %v", length, got, ok)
		}
	}
}

func TestSeveralRegistersHaveAListOfValuesAndOneHasOne(t *testing.T) {
	for _, c := range []struct {
		text string
		n    int
		want []uint8
		err  string
	}{
		{"12", 1, []uint8{12}, ""},
		{"0b1000_0001", 1, []uint8{129}, ""},
		{"[1, 2]", 2, []uint8{1, 2}, ""},
		{"[12]", 1, nil, "f.toml:1:5: found a list, want a value from 0 to 255"},
		{"12", 2, nil, "f.toml:1:5: found 12, want a list of 2 values from 0 to 255"},
		{"[1, 2]", 3, nil, "f.toml:1:5: found a list of 2 values, want 3, one for each register"},
		{"[1, 256]", 2, nil, "f.toml:1:9: found 256, want a value from 0 to 255"},
		{"-1", 1, nil, "f.toml:1:5: found -1, want a value from 0 to 255"},
	} {
		doc, err := Parse("f.toml", []byte("v = "+c.text))
		if err != nil {
			t.Fatal(err)
		}
		got, ok := doc.Root().Bytes("v", c.n)
		err = doc.Err()
		if c.err == "" && (err != nil || !ok || !slices.Equal(got, c.want)) || c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err) || ok) {
			t.Errorf("%s for %d: %v, %v, %v, want %v %s", c.text, c.n, got, ok, err, c.want, c.err)
		}
	}
}

func TestRegistersAndBitsHaveTheNamesOfTheNotation(t *testing.T) {
	notation := Notation{
		Range: func(s string) ([]cv.Register, error) {
			if s == "curve" {
				return cv.ParseRange("67-68")
			}
			return cv.ParseRange(s)
		},
		Bit: func(s string) (cv.Bit, error) {
			if s == "lamp.left" {
				return cv.Bit{Register: cv.Register{CV: 29}, Bit: 3}, nil
			}
			return cv.Bit{}, errors.New("found " + s + ", want lamp.left")
		},
	}
	doc, err := ParseWith("f.toml", []byte("[r]\ncurve = [1, 2]\n3 = 4\n[b]\nlamp.left = true\n"), notation)
	if err != nil {
		t.Fatal(err)
	}
	values, _ := doc.Root().Values("r")
	bits, _ := doc.Root().Bits("b")
	if err := doc.Err(); err != nil || values[cv.Register{CV: 68}] != 2 || len(values) != 3 || !bits[cv.Bit{Register: cv.Register{CV: 29}, Bit: 3}] {
		t.Errorf("%v, %v, %v", values, bits, err)
	}
	doc, err = ParseWith("f.toml", []byte("[r]\ncurve = [1, 2]\n68 = 4\n[b]\nlamp.right = true\n"), notation)
	if err != nil {
		t.Fatal(err)
	}
	doc.Root().Values("r")
	doc.Root().Bits("b")
	want := "f.toml:3:1: found register 68 a second time, want it once; the first is on line 2\nf.toml:5:6: found lamp.right, want lamp.left"
	if err := doc.Err(); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}
