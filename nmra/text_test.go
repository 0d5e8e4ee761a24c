package nmra_test

import (
	"errors"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"fettle/nmra"
)

func ExampleReadPacket() {
	p, err := nmra.ReadPacket("111111111111 0 00110111 0 01110100 0 01000011 1")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p)
	// Output: 37 74 43
}

func TestReadPacketTakesHexadecimalAndBits(t *testing.T) {
	for _, text := range []string{
		"37 74 43", "377443", "0x37 0x74 0x43", "0X377443", " 37\t74\n43 ", "37 7443",
		// NMRA S-9.2 (July 2004), the figure of a transmitted packet
		"111111111111 0 00110111 0 01110100 0 01000011 1",
		"1111111111110001101110011101000010000111",
		"0 00110111 0 01110100 0 01000011 1",
	} {
		if p, err := nmra.ReadPacket(text); err != nil || p.String() != "37 74 43" {
			t.Errorf("ReadPacket(%q) = %v, %v, want 37 74 43", text, p, err)
		}
	}
}

func TestReadPacketPrefersBytesWhereDigitsAreFew(t *testing.T) {
	p, err := nmra.ReadPacket("10 01 11")
	if err != nil || p.String() != "10 01 11" {
		t.Errorf("got %v, %v, want the bytes 10 01 11", p, err)
	}
}

func TestReadPacketSaysWhereAndWhatIsWrong(t *testing.T) {
	for text, want := range map[string]nmra.TextError{
		"37 7G 43":                      {At: 4, Found: "7G"},
		"37 7 43":                       {At: 4, Found: "7"},
		"37744":                         {At: 5, Found: "4"},
		"0x":                            {At: 1, Found: "0x"},
		"37,74,43":                      {At: 3, Found: ",7"},
		"+7 74 43":                      {At: 1, Found: "+7"},
		"111111111111 0 00110111 0 011": {At: 30},
		"11111111111111":                {At: 15},
		"1111111111 0 00110111 0 01110100 0 01000011":     {At: 44},
		"1111111111 0 00110111 0 01110100 0 01000011 1 0": {At: 47, Found: "0"},
	} {
		_, err := nmra.ReadPacket(text)
		var got *nmra.TextError
		if !errors.As(err, &got) || got.At != want.At || got.Found != want.Found {
			t.Errorf("ReadPacket(%q): %v, want a fault at character %d, found %q", text, err, want.At, want.Found)
		}
	}
	for _, text := range []string{"", "  ", "37 74", "37 74 43 00 00 00 00", "1111111111 0 00110111 0 01110100 1"} {
		if p, err := nmra.ReadPacket(text); err == nil {
			t.Errorf("ReadPacket(%q) = %v, want an error", text, p)
		}
	}
}

func TestReadPacketIsTheReverseOfStringAndBitString(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := nmra.NewPacket(rapid.SliceOfN(rapid.Byte(), nmra.MinBytes, nmra.MaxBytes).Draw(t, "bytes")...)
		if err != nil {
			t.Fatal(err)
		}
		preamble := rapid.IntRange(0, 40).Draw(t, "preamble")
		for _, text := range []string{p.String(), p.BitString(preamble)} {
			if got, err := nmra.ReadPacket(text); err != nil || got != p {
				t.Fatalf("ReadPacket(%q) = %v, %v, want %v", text, got, err, p)
			}
		}
	})
}

func FuzzReadPacket(f *testing.F) {
	for _, text := range []string{"37 74 43", "0x377443", "1111111111 0 00110111 0 01110100 0 01000011 1", "0x 1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, err := nmra.ReadPacket(text)
		if err != nil {
			return
		}
		if again, err := nmra.ReadPacket(p.String()); err != nil || again != p {
			t.Errorf("%q read as %v, which reads as %v, %v", text, p, again, err)
		}
	})
}
