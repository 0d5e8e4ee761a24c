package cv

import "testing"

func TestAByteRangeReadsAsItIsWrittenAndNothingElseDoes(t *testing.T) {
	for low := range 256 {
		for high := low; high < 256; high++ {
			want := ByteRange{uint8(low), uint8(high)}
			if got, err := ParseByteRange(want.String()); got != want || err != nil {
				t.Fatalf("%v read back as %v, %v", want, got, err)
			}
		}
	}
	for _, bad := range []string{"", "-", "1-", "-1", "256", "0-256", "4-4", "5-4", "01", "1-02", "+1", "1 - 2", "1-2-3", "0x1", "1,2"} {
		if got, err := ParseByteRange(bad); err == nil {
			t.Errorf("%q was read as %v", bad, got)
		}
	}
}

func TestAByteRangeHasBothItsEnds(t *testing.T) {
	b := ByteRange{4, 7}
	for v := range 256 {
		if b.Has(uint8(v)) != (v >= 4 && v <= 7) {
			t.Errorf("%v has %d: %v", b, v, b.Has(uint8(v)))
		}
	}
}
