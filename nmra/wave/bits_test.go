package wave

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"

	"pgregory.net/rapid"
)

func micros(halves ...float64) []time.Duration {
	all := make([]time.Duration, len(halves))
	for i, h := range halves {
		all[i] = time.Duration(h * 1000)
	}
	return all
}

// found gives all that comes of halves but NoBit.
func found(halves []time.Duration) []Bit {
	var b Bits
	var all []Bit
	for _, h := range halves {
		if bit := b.Half(h); bit != NoBit {
			all = append(all, bit)
		}
	}
	return all
}

func TestBitsAreAcceptedWithinWhatADecoderMustAccept(t *testing.T) {
	for _, c := range []struct {
		name   string
		halves []time.Duration
		want   []Bit
	}{
		// NMRA S-9.1 (2020), what a decoder must accept.
		// The first change, from a zero to a one, shows where a bit begins.
		{"nominal", micros(100, 100, 58, 58, 58, 58, 100, 100), []Bit{Zero, One, One, Zero}},
		{"shortest one", micros(100, 100, 58, 58, 52, 52), []Bit{Zero, One, One}},
		{"longest one", micros(100, 100, 58, 58, 64, 64), []Bit{Zero, One, One}},
		{"halves of a one 6 us apart", micros(100, 100, 58, 58, 55, 61, 61, 55), []Bit{Zero, One, One, One}},
		{"halves of a one further apart", micros(100, 100, 58, 58, 55, 61.001), []Bit{Zero, One, Broken}},
		{"halves of a one further apart, the other way", micros(100, 100, 58, 58, 61.001, 55), []Bit{Zero, One, Broken}},
		{"too short for a one", micros(100, 100, 58, 58, 51.999), []Bit{Zero, One, Broken}},
		{"between one and zero", micros(100, 100, 58, 58, 64.001), []Bit{Zero, One, Broken}},
		{"too short for a zero", micros(100, 100, 58, 58, 89.999), []Bit{Zero, One, Broken}},
		{"shortest zero", micros(100, 100, 58, 58, 90, 90), []Bit{Zero, One, Zero}},
		{"halves of a zero as unequal as can be", micros(100, 100, 58, 58, 90, 10_000, 10_000, 90), []Bit{Zero, One, Zero, Zero}},
		{"too long for a zero", micros(100, 100, 58, 58, 10_000.001), []Bit{Zero, One, Broken}},
		{"longest zero", micros(100, 100, 58, 58, 2_000, 10_000), []Bit{Zero, One, Zero}},
		{"a whole zero too long", micros(100, 100, 58, 58, 2_000.001, 10_000), []Bit{Zero, One, Broken}},
		{"nothing at all", micros(100, 100, 58, 58, 0), []Bit{Zero, One, Broken}},
		{"backwards", micros(100, 100, 58, 58, -58), []Bit{Zero, One, Broken}},

		{"joined across bits, whose halves need not match", micros(52, 64, 58, 100, 10_000, 10_000, 100, 58, 58), []Bit{One, Zero, Zero, One}},
		{"begun within a one", micros(58, 58, 58, 100, 100, 58, 58), []Bit{One, Zero, One}},
		{"begun within a zero", micros(100, 58, 58, 100, 100), []Bit{One, Zero}},
		{"half a bit lost among ones", micros(100, 100, 58, 58, 58, 100, 100, 58, 58), []Bit{Zero, One, Broken, Zero, One}},
		{"its place found anew after what is none", micros(58, 58, 100, 100, 70, 58, 100, 100), []Bit{One, Zero, Broken, Zero}},
	} {
		if got := found(c.halves); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v gives %v, want %v", c.name, c.halves, got, c.want)
		}
	}
}

// uneven draws halves of the bits as a decoder must accept them.
func uneven(t *rapid.T, bits []bool) []time.Duration {
	nanoseconds := func(name string, least, most time.Duration) time.Duration {
		return time.Duration(rapid.Int64Range(int64(least), int64(most)).Draw(t, name))
	}
	var halves []time.Duration
	for _, one := range bits {
		if one {
			first := nanoseconds("first of a one", leastOne, mostOne)
			halves = append(halves, first, nanoseconds("second", max(leastOne, first-mostApart), min(mostOne, first+mostApart)))
			continue
		}
		// Most zeros are short, but they may be stretched, each half by itself.
		most := rapid.SampledFrom([]time.Duration{120 * time.Microsecond, mostZero}).Draw(t, "most")
		first := nanoseconds("first of a zero", leastZero, most)
		halves = append(halves, first, nanoseconds("second", leastZero, min(most, mostWhole-first)))
	}
	return halves
}

func TestEveryPacketIsFoundInItsHalvesFromWhicheverHalfOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.IntRange(1, 4).Draw(t, "packets")
		var sent, got []nmra.Packet
		var bits []bool
		for range count {
			data := rapid.SliceOfN(rapid.Byte(), nmra.MinBytes-1, nmra.MaxBytes-1).Draw(t, "data")
			check := byte(0)
			for _, b := range data {
				check ^= b
			}
			p, err := nmra.NewPacket(append(data, check)...)
			if err != nil {
				t.Fatal(err)
			}
			sent = append(sent, p)
			bits = slices.AppendSeq(bits, p.Bits(rapid.IntRange(nmra.Preamble, 40).Draw(t, "preamble")))
		}
		// A decoder may come into the signal within a bit, and within the first preamble.
		halves := uneven(t, bits)[rapid.IntRange(0, 2*(nmra.Preamble-10)).Draw(t, "unheard"):]
		var b Bits
		var r Receiver
		for _, h := range halves {
			switch bit := b.Half(h); bit {
			case Broken:
				t.Fatalf("%v is said to break the signal", h)
			case Zero, One:
				if r.Bit(bit == One) == Complete {
					got = append(got, r.Packet())
				}
			}
		}
		if !slices.Equal(got, sent) {
			t.Fatalf("found %v, want %v", got, sent)
		}
	})
}

func TestAPacketIsFoundBehindAnyNoise(t *testing.T) {
	packet := published(t)
	rapid.Check(t, func(t *rapid.T) {
		var b Bits
		var r Receiver
		for _, n := range rapid.SliceOf(rapid.Int64Range(0, int64(2*mostZero))).Draw(t, "noise") {
			if bit := b.Half(time.Duration(n)); bit == Zero || bit == One {
				r.Bit(bit == One)
			}
		}
		// A packet whose length noise has begun would swallow it: as a decoder does, wait for one more.
		found := 0
		for range 2 {
			for _, h := range (Sender{}).Append(nil, packet) {
				if bit := b.Half(h); (bit == Zero || bit == One) && r.Bit(bit == One) == Complete && r.Packet() == packet {
					found++
				}
			}
		}
		if found == 0 {
			t.Fatal("neither of two packets is found")
		}
	})
}

func TestFindingBitsAllocatesNothing(t *testing.T) {
	halves := Sender{}.Append(nil, published(t))
	var b Bits
	if n := testing.AllocsPerRun(100, func() {
		for _, h := range halves {
			b.Half(h)
		}
	}); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

func BenchmarkBits(b *testing.B) {
	halves := Sender{}.Append(nil, published(b))
	var bits Bits
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for _, h := range halves {
			bits.Half(h)
		}
		n += len(halves)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/half")
}
