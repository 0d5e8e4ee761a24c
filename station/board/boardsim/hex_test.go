package boardsim

import (
	"bytes"
	"strings"
	"testing"
)

func TestAnImageIsReadRecordByRecord(t *testing.T) {
	// Our own bytes, in the published Intel hexadecimal object file format (1988), from memory.
	const image = ":0400000001020304F2\n:020006000506ED\r\n:00000001FF\n"
	got, err := flash([]byte(image))
	if want := []byte{1, 2, 3, 4, 0xFF, 0xFF, 5, 6}; err != nil || !bytes.Equal(got, want) {
		t.Errorf("% X, %v; want % X", got, err, want)
	}
}

func TestADamagedImageIsRefusedWithItsPlace(t *testing.T) {
	for image, want := range map[string]string{
		"":                                "it ends after line 0",
		":0400000001020304F2\n":           "it ends after line 1",
		"0400000001020304F2\n":            `line 1: found "0400000001020304F2", want a record`,
		":04000000010203F2\n:00000001FF":  "line 1: found 8 bytes",
		":0400000001020304F3\n":           "line 1: its check byte is wrong by 1",
		":04000000010203zzF2\n":           "want pairs of hexadecimal digits",
		":00000001FF\n:00000001FF":        `line 2: found ":00000001FF" after the record that ends it`,
		":020000040000FA\n":               "line 1: found a record of kind 4",
		":0480000001020304" + "72\n":      "line 1: found data up to address 32771, but the flash ends at 32767",
		":\n":                             "line 1: found 0 bytes",
		":0400000001020304F2\n\n:0000001": `line 2: found "", want a record`,
	} {
		if _, err := flash([]byte(image)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", image, err, want)
		}
	}
}

func FuzzAnImageIsReadOrRefused(f *testing.F) {
	f.Add([]byte(":0400000001020304F2\n:00000001FF\n"))
	f.Add([]byte(":0480000001020304\n"))
	f.Fuzz(func(t *testing.T, image []byte) {
		if got, err := flash(image); err == nil && len(got) > flashSize {
			t.Errorf("%d bytes, more than the flash has", len(got))
		}
	})
}
