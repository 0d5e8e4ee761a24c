package chart

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

func TestAStripIsBrokenIntoRowsThatFitThePage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		us := rapid.SampledFrom([]int{58, 58, 100, 100, 5000, 70, 12_000_000})
		s := conform.Strip{}
		for _, half := range rapid.SliceOfN(us, 1, 200).Draw(t, "halves") {
			s.Halves = append(s.Halves, time.Duration(half)*time.Microsecond)
		}
		s.Packet = rapid.IntRange(0, len(s.Halves)).Draw(t, "packet")
		at := 0
		for _, r := range rowsOf(s, wide.rowTime()) {
			if r.from != at || r.to <= at {
				t.Fatalf("a row has halves %d to %d, want it to begin with %d", r.from, r.to, at)
			}
			if length := drawnFor(s.Halves[r.from:r.to]); length > wide.rowTime() {
				t.Fatalf("a row of %v, want no more than %v", length, wide.rowTime())
			}
			at = r.to
		}
		if at != len(s.Halves) {
			t.Fatalf("the rows end with half %d of %d", at, len(s.Halves))
		}
	})
}

func TestABitThatDoesNotFitInARowBeginsTheNext(t *testing.T) {
	s := conform.Strip{Halves: slices.Repeat([]time.Duration{5 * time.Millisecond}, 2*19)} // each bit is drawn 800 µs long: two rows of 9.5
	var bits []int
	for _, r := range rowsOf(s, wide.rowTime()) {
		bits = append(bits, len(r.cells))
	}
	if want := []int{9, 9, 1}; !slices.Equal(bits, want) {
		t.Errorf("rows of %d bits, want %d", bits, want)
	}
}

func TestTheTimeOfAStripCountsFromWhatIsFound(t *testing.T) {
	s := conform.Strip{Start: time.Second, Found: wave.Finding{Start: time.Second + 700*time.Microsecond}}
	for range 10 {
		s.Halves = append(s.Halves, 100*time.Microsecond)
	}
	s.Halves[4] = time.Millisecond // drawn shorter, so that nothing is at its place
	got := map[string]float64{}
	for _, tick := range timeTicks(s, row{from: 0, to: 10}) {
		if tick.Label != "" {
			got[tick.Label] = tick.Value
		}
	}
	// half 2 begins 500 µs before what is found; half 8 begins 1000 µs behind it, and one of 400 is drawn between them in place of one of 1000
	want := map[string]float64{"−500": 200, "1000": 1100}
	if len(got) != len(want) || got["−500"] != want["−500"] || got["1000"] != want["1000"] {
		t.Errorf("ticks %v, want %v", got, want)
	}
}

func TestAHalfThatIsDrawnShorterSaysItsLength(t *testing.T) {
	p := drawn(t, measured("", sent(t, 2, wave.Sender{Stretch: 9 * time.Millisecond}), nil))
	n := 0
	for _, text := range p.texts {
		if text == "9000" {
			n++
		}
	}
	// NMRA S-9.2 (July 2004), section A, the figure: 37 74 43 has three start bits and 12 zeros
	if n < 3+12 {
		t.Errorf("%d halves say 9000, want the 15 of the packet's zeros", n)
	}
}
