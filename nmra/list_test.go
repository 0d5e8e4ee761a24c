package nmra_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/nmra"
)

func ExampleReadList() {
	list, err := nmra.ReadList("shunter.txt", "# ferry-berth shunter 7\n07 66 61  # ahead\n07 60 67\n")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, entry := range list {
		fmt.Println(entry.Line, entry.Packet)
	}
	// Output:
	// 2 07 66 61
	// 3 07 60 67
}

func TestEveryLineOfAListThatIsWrongIsToldWithItsPlace(t *testing.T) {
	more := strings.Repeat("00 00 00\n", nmra.MaxListed)
	for text, want := range map[string]string{
		"":                                    `a:1:1: found the end, want a packet, as 37 74 43`,
		"# nothing\n\n":                       `a:3:1: found the end, want a packet, as 37 74 43`,
		"37 74 43\n37 7G 43 # 7H\n":           `a:2:4: found "7G", want bytes of two hexadecimal digits each, as 37 74 43`,
		"\t37 74\r\n37 7\n":                   "a:1:2: found 2 bytes, want 3 to 6 with the check byte\n" + `a:2:4: found "7", want bytes of two hexadecimal digits each, as 37 74 43`,
		"00 01 02 03 04 05 06":                `a:1:1: found 7 bytes, want 3 to 6 with the check byte`,
		"37 74 43 µ\n":                        `a:1:10: found "µ", want bytes of two hexadecimal digits each, as 37 74 43`,
		"\u00a0µ 37\n":                        `a:1:1: found "\u00a0", want bytes of two hexadecimal digits each, as 37 74 43`,
		"1111111111 0 00110111 0 0111 # 0100": `a:1:29: found the end of the packet, want 4 more of the 8 bits of a byte`,
		more + "00 00 00":                     `a:10001:1: found one packet more, want 10000 at the most`,
	} {
		if list, err := nmra.ReadList("a", text); err == nil || err.Error() != want || list != nil {
			t.Errorf("%.60q: %d packets, %v\nwant %s", text, len(list), err, want)
		}
	}
	_, err := nmra.ReadList("a", strings.Repeat("x\n", 1000))
	if n := strings.Count(err.Error(), "\n") + 1; n != 20 {
		t.Errorf("%d errors are told, want the first 20", n)
	}
	var first *nmra.ListError
	if !errors.As(err, &first) || first.File != "a" || first.Line != 1 || first.Column != 1 {
		t.Errorf("%+v, want the place of the first", first)
	}
	if list, err := nmra.ReadList("a", more); err != nil || len(list) != nmra.MaxListed {
		t.Errorf("%d packets, %v, want %d", len(list), err, nmra.MaxListed)
	}
}

func TestAListHasWhatWasPrintedInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var text strings.Builder
		var want []nmra.Listed
		line := 0
		for range rapid.IntRange(1, 5).Draw(t, "packets") {
			for range rapid.IntRange(0, 2).Draw(t, "lines between") {
				line++
				text.WriteString(rapid.SampledFrom([]string{"\n", " \t\r\n", "# 00\n"}).Draw(t, "line"))
			}
			p, err := nmra.NewPacket(rapid.SliceOfN(rapid.Byte(), nmra.MinBytes, nmra.MaxBytes).Draw(t, "bytes")...)
			if err != nil {
				t.Fatal(err)
			}
			line++
			want = append(want, nmra.Listed{Line: line, Packet: p})
			text.WriteString(rapid.SampledFrom([]string{p.String(), p.BitString(14)}).Draw(t, "packet") + rapid.SampledFrom([]string{"\n", "#\r\n"}).Draw(t, "end"))
		}
		if got, err := nmra.ReadList("a", text.String()); err != nil || !slices.Equal(got, want) {
			t.Fatalf("%q: %v, %v, want %v", text.String(), got, err, want)
		}
	})
}

func FuzzReadList(f *testing.F) {
	f.Add("37 74 43\n# x\n 0x00 00 00\r\n11111111111 0 00110111 0 01110100 0 01000011 1")
	f.Add("37 7\n\xff\n37 74")
	f.Fuzz(func(t *testing.T, text string) {
		list, err := nmra.ReadList("a", text)
		if (err == nil) != (len(list) > 0) {
			t.Fatalf("%d packets, %v", len(list), err)
		}
		if err == nil {
			return
		}
		lines := strings.Count(text, "\n") + 2
		for _, one := range err.(interface{ Unwrap() []error }).Unwrap() {
			var fault *nmra.ListError
			if !errors.As(one, &fault) || fault.Line < 1 || fault.Line > lines || fault.Column < 1 || strings.ContainsAny(fault.Text, "\n\r\x1b") {
				t.Fatalf("%q: %v", text, one)
			}
		}
	})
}
