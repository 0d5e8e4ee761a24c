package cv

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
)

func anyRegister(t *rapid.T) Register {
	r := Register{CV: nmra.CV(rapid.IntRange(1, 1024).Draw(t, "cv"))}
	if r.Indexed() && rapid.Bool().Draw(t, "paged") {
		r.Page = Page{High: rapid.Uint8Min(FirstPage).Draw(t, "high"), Low: rapid.Uint8().Draw(t, "low")}
	}
	return r
}

func TestARegisterReadsBackAsItWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anyRegister(t)
		got, err := ParseRegister(want.String())
		if err != nil || got != want || !got.Valid() {
			t.Fatalf("ParseRegister(%q) = %v, %v; want %v", want.String(), got, err, want)
		}
	})
}

func TestABitReadsBackAsItWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Bit{anyRegister(t), rapid.Uint8Max(7).Draw(t, "bit")}
		got, err := ParseBit(want.String())
		if err != nil || got != want {
			t.Fatalf("ParseBit(%q) = %v, %v; want %v", want.String(), got, err, want)
		}
	})
}

func TestASetOfRegistersReadsBackFromItsRanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOf(rapid.Custom(anyRegister)).Draw(t, "registers")
		// Near neighbours, so that there is something to fold.
		for i := range len(want) {
			if next := (Register{want[i].CV + 1, want[i].Page}); next.Valid() {
				want = append(want, next)
			}
		}
		var got []Register
		for _, text := range Ranges(want) {
			rs, err := ParseRange(text)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, rs...)
		}
		slices.SortFunc(want, Register.Compare)
		if want = slices.Compact(want); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
		if flat := slices.Concat(Runs(want)...); !slices.Equal(flat, want) {
			t.Fatalf("runs give %v, want %v", flat, want)
		}
	})
}

func TestRangesFoldWithinAPage(t *testing.T) {
	page := Page{16, 0}
	rs := []Register{{CV: 258, Page: page}, {CV: 3}, {CV: 257, Page: page}, {CV: 257}, {CV: 4}, {CV: 3}, {CV: 29}, {CV: 257, Page: Page{16, 3}}, {CV: 256}}
	want := []string{"3-4", "29", "256-257", "257-258@16.0", "257@16.3"}
	if d := cmp.Diff(want, Ranges(rs)); d != "" {
		t.Error(d)
	}
}

func TestWhatIsNotARegisterIsRefused(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "1 to 1024"},
		{"0", "1 to 1024"},
		{"1025", "1 to 1024"},
		{"99999999999999999999", "1 to 1024"},
		{"-3", "1 to 1024"},
		{"+3", "1 to 1024"},
		{" 3", "1 to 1024"},
		{"3 ", "1 to 1024"},
		{"03", "1 to 1024"},
		{"0x3", "1 to 1024"},
		{"3.5", "1 to 1024"},
		{"٣", "1 to 1024"},
		{"67-94", "not a range"},
		{"94-67", "ascends"},
		{"67-67", "ascends"},
		{"67-", "1 to 1024"},
		{"1-1025", "1 to 1024"},
		{"1-2-3", "1 to 1024"},
		{"29@16.3", "257 to 512"},
		{"256-257@16.3", "257 to 512"},
		{"512-513@16.3", "257 to 512"},
		{"513@16.3", "257 to 512"},
		{"260@", "an index page"},
		{"260@16", "an index page"},
		{"260@16.256", "an index page"},
		{"260@256.0", "an index page"},
		{"260@16.3.1", "an index page"},
		{"260@16.03", "an index page"},
		{"260@16.3@16.3", "an index page"},
		{"260@15.3", "reserved"},
		{"260@0.0", "reserved"},
	} {
		r, err := ParseRegister(c.text)
		var bad *NotationError
		if !errors.As(err, &bad) || r != (Register{}) {
			t.Errorf("ParseRegister(%q) = %v, %v; want a NotationError", c.text, r, err)
		} else if !strings.Contains(bad.Want, c.want) || bad.Found == "" && c.text != "" && c.text != "260@" {
			t.Errorf("ParseRegister(%q): %v; want %q in it", c.text, err, c.want)
		}
	}
}

func TestWhatIsNotABitIsRefused(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "0 to 7"},
		{"29", "0 to 7"},
		{"29.", "0 to 7"},
		{"29.8", "0 to 7"},
		{"29.-1", "0 to 7"},
		{"29.05", "0 to 7"},
		{".5", "1 to 1024"},
		{"0.5", "1 to 1024"},
		{"1025.5", "1 to 1024"},
		{"67-94.5", "not a range"},
		{"260@16.3", "260@16.3.5"},
		{"260@16.3.8", "0 to 7"},
		{"29@16.3.5", "257 to 512"},
		{"260@15.3.5", "reserved"},
	} {
		b, err := ParseBit(c.text)
		var bad *NotationError
		if !errors.As(err, &bad) || b != (Bit{}) {
			t.Errorf("ParseBit(%q) = %v, %v; want a NotationError", c.text, b, err)
		} else if !strings.Contains(bad.Want, c.want) {
			t.Errorf("ParseBit(%q): %v; want %q in it", c.text, err, c.want)
		}
	}
}

func TestAnErrorDoesNotEchoEndlessInput(t *testing.T) {
	_, err := ParseRegister(strings.Repeat("é", 1<<16))
	if n := len(err.Error()); n > 200 {
		t.Errorf("the error has %d bytes: %v", n, err)
	}
}

func TestARegisterIsTextInJSON(t *testing.T) {
	text, err := json.Marshal(Values{{CV: 260, Page: Page{16, 3}}: 7})
	if err != nil || string(text) != `{"260@16.3":7}` {
		t.Fatalf("got %s, %v", text, err)
	}
	var back Values
	if err := json.Unmarshal(text, &back); err != nil || back[Register{260, Page{16, 3}}] != 7 {
		t.Errorf("got %v, %v", back, err)
	}
	if _, err := json.Marshal(Register{CV: 29, Page: Page{16, 3}}); err == nil {
		t.Error("a register with a page where there are none was written")
	}
}

func FuzzNotation(f *testing.F) {
	for _, s := range []string{"3", "67-94", "257-260@16.0", "260@16.3.5", "29.5", "16.3", "1024", "-", "@", "."} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if r, err := ParseRegister(s); err == nil && (r.String() != s || !r.Valid()) {
			t.Errorf("ParseRegister(%q) = %v, which is not the same text", s, r)
		}
		if b, err := ParseBit(s); err == nil && b.String() != s {
			t.Errorf("ParseBit(%q) = %v, which is not the same text", s, b)
		}
		if p, err := ParsePage(s); err == nil && p.String() != s {
			t.Errorf("ParsePage(%q) = %v, which is not the same text", s, p)
		}
		if rs, err := ParseRange(s); err == nil {
			if text := Ranges(rs); len(text) != 1 || text[0] != s {
				t.Errorf("ParseRange(%q) folds back to %q", s, text)
			}
		}
	})
}
