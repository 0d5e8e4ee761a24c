package chart

import (
	"math"
	"testing"
	"time"

	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

func TestHalvesStandAsTheStandardHasIt(t *testing.T) {
	for _, c := range []struct {
		half time.Duration // in ns
		zero bool
		want standing
	}{
		// NMRA S-9.1 (2020): sent 55 to 61, accepted 52 to 64
		{51_990, false, outside}, {52_000, false, acceptable}, {54_990, false, acceptable}, {55_000, false, sendable}, {58_000, false, sendable},
		{61_000, false, sendable}, {61_010, false, acceptable}, {64_000, false, acceptable}, {64_010, false, outside},
		// NMRA S-9.1 (2020): sent 95 to 9900, accepted 90 to 10000
		{89_990, true, outside}, {90_000, true, acceptable}, {94_990, true, acceptable}, {95_000, true, sendable}, {9_900_000, true, sendable},
		{9_900_010, true, acceptable}, {10_000_000, true, acceptable}, {10_000_010, true, outside},
	} {
		r := conform.Result{Rules: new(conform.Meter).Result().Rules}
		bucket := []conform.Bucket{{From: c.half, To: c.half + 10, Count: 3}}
		if r.Ones = bucket; c.zero {
			r.Ones, r.Zeros = nil, bucket
		}
		h, any := histogramOf(r)
		var of [standings]int64
		for _, counts := range append(h.linear[:], h.log[:]...) {
			for s, n := range counts {
				of[s] += n
			}
		}
		want := [standings]int64{}
		want[c.want] = 3
		if !any || of != want || h.long != (c.half > 130_000) {
			t.Errorf("half of %v: bars of %v, stretched %v; want %v", c.half, of, h.long, want)
		}
	}
}

func TestHalvesAreCountedByHowTheyStand(t *testing.T) {
	halves := sent(t, 100, wave.Sender{})
	// halves of the first packet's start bit and of the zero behind it: outside, then acceptable, then stretched
	halves[28], halves[30], halves[33] = 88*time.Microsecond, 93*time.Microsecond, 5*time.Millisecond
	p := drawn(t, measured("", halves, nil))
	for _, want := range []string{
		"beyond that, but within what a decoder must accept: 1", "outside what a decoder must accept: 1",
		// NMRA S-9.1 (2020)
		"52", "55", "61", "64", "90", "95", "one, sent", "one, accepted", "zero, sent", "zero, accepted", "sent up to 9900", "accepted up to 10000",
	} {
		if !p.has(want) {
			t.Errorf("the picture says %q, want %q among it", p.texts, want)
		}
	}
}

func TestShortHalvesAreDrawnAtTheBeginning(t *testing.T) {
	r := conform.Result{Rules: new(conform.Meter).Result().Rules}
	r.Ones = []conform.Bucket{{From: 0, To: 10, Count: 2}, {From: 1000, To: 1010, Count: 5}, {From: 58_000, To: 58_010, Count: 1}}
	if p := drawn(t, Signal{Result: r}); !p.has("up to 40 µs: 7") {
		t.Errorf("the picture says %q, want the seven halves that are shorter among it", p.texts)
	}
}

func TestEnormousCountsAreDrawn(t *testing.T) {
	r := conform.Result{Rules: new(conform.Meter).Result().Rules}
	for v := range time.Duration(20_000) {
		b := conform.Bucket{From: v * 1000, To: v*1000 + 1000, Count: math.MaxInt64 - int64(v)}
		r.Ones, r.Zeros = append(r.Ones, b), append(r.Zeros, b)
	}
	for i := range r.Rules {
		r.Rules[i].Seen, r.Rules[i].Outside = math.MaxInt64, math.MaxInt64
	}
	if p := drawn(t, Signal{Result: r}); !p.has("10¹⁸") {
		t.Errorf("the picture says %q, want ten to the 18th on its axis", p.texts)
	}
}

func TestCountsHaveTheirThousandsApart(t *testing.T) {
	for n, want := range map[int64]string{0: "0", 999: "999", 1000: "1\u00a0000", 1234567: "1\u00a0234\u00a0567"} {
		if got := count(n); got != want {
			t.Errorf("count(%d) = %q, want %q", n, got, want)
		}
	}
}
