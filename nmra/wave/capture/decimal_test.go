package capture

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// numerals are decimal numbers as text, with a point, of any length.
func numerals() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.StringMatching(`[-+]?[0-9]{1,30}(\.[0-9]{0,30})?([eE][-+]?[0-9]{1,3})?`),
		rapid.StringMatching(`[-+]?\.[0-9]{1,30}([eE][-+]?[0-9]{1,2})?`),
		rapid.StringMatching(`-?0\.0{0,20}[0-9]{1,12}`),
		rapid.StringMatching(`[0-9]{1,17}\.5`), // half-way
	)
}

func TestATimeIsTheNearestNanosecondOfItsText(t *testing.T) {
	longest := new(big.Int).SetInt64(math.MaxInt64)
	rapid.Check(t, func(t *rapid.T) {
		text := numerals().Draw(t, "text")
		unit := rapid.SampledFrom([]int{9, 6, 3, 0, -3}).Draw(t, "unit")
		exact, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatalf("%q is no number", text)
		}
		ten := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(unit, -unit))), nil))
		if unit >= 0 {
			exact.Mul(exact, ten)
		} else {
			exact.Quo(exact, ten)
		}
		// Half-way is away from zero: |x| + 1/2, cut off.
		rounded := new(big.Rat).Abs(exact)
		rounded.Add(rounded, big.NewRat(1, 2))
		want := new(big.Int).Quo(rounded.Num(), rounded.Denom())
		d, ok := decimalOf([]byte(text), false)
		if !ok {
			t.Fatalf("%q was not read", text)
		}
		got, ok := d.duration(unit)
		if want.Cmp(longest) > 0 {
			if ok {
				t.Fatalf("%q: %d, want that it is too long", text, got)
			}
			return
		}
		if exact.Sign() < 0 {
			want.Neg(want)
		}
		off := new(big.Int).Sub(want, big.NewInt(int64(got)))
		// Beyond 31 years 19 digits end at the nanosecond, and the next is cut off.
		if !ok || off.Sign() != 0 && (got.Abs() < 1e18 || off.CmpAbs(big.NewInt(1)) > 0) {
			t.Fatalf("%q: %d, want %v", text, got, want)
		}
	})
}

func TestANumberIsThatOfItsText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := numerals().Draw(t, "text")
		want, err := strconv.ParseFloat(text, 64)
		d, ok := decimalOf([]byte(text), false)
		got := d.float()
		if !ok || math.IsInf(want, 0) != math.IsInf(got, 0) {
			t.Fatalf("%q: %v, want %v (%v)", text, got, want, err)
		}
		if off := math.Abs(got - want); off > 4e-16*math.Abs(want) && math.Abs(want) > 1e-290 && !math.IsInf(want, 0) {
			t.Fatalf("%q: %v, want %v", text, got, want)
		}
		comma, ok := decimalOf([]byte(strings.Replace(text, ".", ",", 1)), true)
		if !ok || comma != d {
			t.Fatalf("%q with a comma: %v, want %v", text, comma, d)
		}
	})
}

func TestWhatIsNoDecimalNumberIsNone(t *testing.T) {
	for _, text := range []string{"", "-", "+", ".", ",", "e5", ".e5", "1e", "1e+", "1e5.", "1 2", " 1", "1 ", "--1", "1-", "0x1p3", "1_0", "NaN", "Inf",
		"-inf", "infinity", "1.2.3", "1,2,3", "1.2,3", "\u0661", "1\x00", "1\xff", "true"} {
		if d, ok := decimalOf([]byte(text), true); ok {
			t.Errorf("%q is %v", text, d)
		}
	}
	if d, ok := decimalOf([]byte("1,5"), false); ok {
		t.Errorf("1,5 is %v where commas are separators", d)
	}
}

func TestADecimalNumberMayBeOfAnyLength(t *testing.T) {
	zeros := strings.Repeat("0", 10_000)
	for _, c := range []struct {
		text string
		want time.Duration
		ok   bool
	}{
		{zeros + "58", 58 * time.Microsecond, true},
		{"58." + zeros, 58 * time.Microsecond, true},
		{"58" + zeros + "e-10000", 58 * time.Microsecond, true},
		{"0." + zeros + "58e10002", 58 * time.Microsecond, true},
		{"0." + zeros + "58", 0, true},
		{"1e-99999999999999999999", 0, true},
		{"0e99999999999999999999", 0, true},
		{"1" + zeros, 0, false},
		{"1e99999999999999999999", 0, false},
		{"1e18446744073709551617", 0, false}, // 2^64 + 1
		{"9223372036854775.807", math.MaxInt64, true},
		{"-9223372036854775.807", -math.MaxInt64, true},
		{"9223372036854775.808", 0, false},
	} {
		d, ok := decimalOf([]byte(c.text), false)
		got, fits := d.duration(3)
		if !ok || fits != c.ok || fits && got != c.want {
			t.Errorf("%.30q...: %v, %v, want %v, %v", c.text, got, fits, c.want, c.ok)
		}
	}
}
