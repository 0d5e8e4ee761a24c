package prog

import (
	"math/rand/v2"
	"slices"
	"testing"

	"fettle/nmra/cv"
	"fettle/prog/sheet"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// inquire asks a register, and says how many writes it took. obeys says which writes are acknowledged.
func inquire(old, free uint8, after func(held, value uint8) uint8, obeys func(value uint8) bool) (*inquiry, int) {
	q := newInquiry(old, free)
	held := old
	for {
		value, more := q.next()
		if !more {
			return q, len(q.trials)
		}
		held = after(held, value)
		q.learn(value, held, obeys(value))
	}
}

// obeys says whether a decoder that keeps to the rule acknowledges a write: it does not where it refuses it.
func (r rule) obeys(value uint8) bool { return !r.refuses || value >= r.low && value <= r.high }

// found is the finding that is right for a register that held old and keeps to a rule, from what the rule does with every value.
func found(old uint8, r rule) sheet.Finding {
	var f sheet.Finding
	for held := range 256 {
		if (uint8(held)^old)&^r.mask != 0 {
			continue
		}
		for v := range 256 {
			if after := r.after(old, uint8(v)); r.after(after, old) == old {
				f.Mask |= after ^ old
			}
		}
	}
	if f.Writable = f.Mask != 0; !f.Writable {
		return f
	}
	f.Values = []cv.ByteRange{{Low: max(r.low, old&^r.mask), High: min(r.high, old|r.mask)}}
	return f
}

// possible says whether a register that held old can keep to a rule and be put back.
func possible(old uint8, r rule) bool {
	return r.after(^old, old)&r.mask == old&r.mask
}

func TestARuleOfBitsOrOfLimitsIsFound(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	most, writes, rules := map[string]int{}, map[string]int{}, map[string]int{}
	try := func(kind string, r rule, old uint8) {
		if !possible(old, r) {
			return
		}
		q, n := inquire(old, 255, r.after, r.obeys)
		if diff := cmp.Diff(found(old, r), q.finding(cv.Register{})); diff != "" {
			t.Fatalf("%+v, held %d (-want +got)\n%s", r, old, diff)
		}
		rules[kind]++
		writes[kind] += n
		most[kind] = max(most[kind], n)
	}
	for m := 0; m < 256; m += campaign(17, 1) {
		for _, old := range []uint8{0, 255, uint8(random.IntN(256)), uint8(random.IntN(256))} {
			kind := "some bits"
			switch m {
			case 0:
				kind = "read only"
			case 255:
				kind = "every value"
			}
			try(kind, rule{mask: uint8(m), high: 255}, old)
		}
	}
	for range campaign(150, 20_000) {
		low, high, old := uint8(random.IntN(256)), uint8(random.IntN(256)), uint8(random.IntN(256))
		if low, high = min(low, high), max(low, high); low == high {
			continue
		}
		try("nearest limit", rule{255, low, high, false}, old)
		try("refused", rule{255, low, high, true}, old)
	}
	for kind, n := range rules {
		t.Logf("%-13s %5d rules, %.1f writes each, %d at most", kind, n, float64(writes[kind])/float64(n), most[kind])
	}
	for kind, bound := range map[string]int{"every value": 2, "read only": mostBlank, "some bits": 10, "nearest limit": 8, "refused": 18} {
		if rules[kind] == 0 || most[kind] > bound {
			t.Errorf("%q: %d rules, %d writes at most, want %d", kind, rules[kind], most[kind], bound)
		}
	}
}

// A rule of bits and limits together may not be made out, but what is said of it has to be so.
func TestNothingWrongIsSaidOfBitsAndLimitsTogether(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	total, made, blank, writes, most := 0, 0, 0, 0, 0
	for range campaign(60, 5000) {
		low, high := uint8(random.IntN(256)), uint8(random.IntN(256))
		r := rule{uint8(random.IntN(256)), min(low, high), max(low, high), random.IntN(2) == 0}
		old := uint8(random.IntN(256))
		if !possible(old, r) {
			continue
		}
		q, n := inquire(old, 255, r.after, r.obeys)
		total, writes, most = total+1, writes+n, max(most, n)
		want, got := found(old, r), q.finding(cv.Register{})
		if got.Mask == 0 && want.Mask != 0 && n == mostBlank {
			blank++
			continue
		}
		if got.Mask != want.Mask {
			t.Errorf("%+v, held %d: bits %08b, want %08b", r, old, got.Mask, want.Mask)
		}
		if got.Values == nil {
			continue
		}
		made++
		for v := range 256 {
			v := uint8(v)
			said := slices.ContainsFunc(got.Values, func(b cv.ByteRange) bool { return b.Has(v) })
			kept := r.after(v^want.Mask, v) == v && (!r.refuses || v >= r.low && v <= r.high)
			if (v^old)&^want.Mask == 0 && said != kept {
				t.Errorf("%+v, held %d: that it keeps %d: %v, but %v was found", r, old, v, kept, got.Values)
				break
			}
		}
	}
	t.Logf("%d rules, the values of %d made out, %d that change only after more writes; %.1f writes each, %d at most",
		total, made, blank, float64(writes)/float64(total), most)
	if made < total/2 || blank > total/50 {
		t.Errorf("too little was made out")
	}
}

func TestBitsThatAreNotFreeAreNeverWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old, free, mask := rapid.Uint8().Draw(t, "old"), rapid.Uint8().Draw(t, "free"), rapid.Uint8().Draw(t, "mask")
		r := rule{mask: mask, high: 255}
		q, _ := inquire(old, free, func(held, value uint8) uint8 {
			if (value^old)&^free != 0 {
				t.Fatalf("wrote %08b over %08b, want the bits of %08b only", value, old, free)
			}
			return r.after(held, value)
		}, r.obeys)
		if got := q.finding(cv.Register{}).Mask; got != mask&free {
			t.Fatalf("found %08b, want %08b", got, mask&free)
		}
	})
}

func TestAnInquiryEndsWhateverTheDecoderDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old, free := rapid.Uint8().Draw(t, "old"), rapid.SampledFrom([]uint8{255, 255, freeBits(cv.Register{CV: 29})}).Draw(t, "free")
		seen := uint8(0)
		q, n := inquire(old, free, func(uint8, uint8) uint8 {
			after := rapid.Uint8().Draw(t, "after")
			seen |= after ^ old
			return after
		}, func(uint8) bool { return rapid.Bool().Draw(t, "acknowledged") })
		f := q.finding(cv.Register{})
		if f.Mask != seen || f.LeftAlone&f.Mask != 0 || f.Writable != (seen != 0) || n > mostTrials {
			t.Fatalf("%+v after %d writes, want the bits %08b", f, n, seen)
		}
		_ = q.words(f)
	})
}
