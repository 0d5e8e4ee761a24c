package wave

import (
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra"

	"pgregory.net/rapid"
)

func published(t testing.TB) nmra.Packet {
	t.Helper()
	p, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestThePublishedPacketIsSentAtNominalTiming(t *testing.T) {
	// NMRA S-9.2 (July 2004), the figure of a transmitted packet; NMRA S-9.1 (2020): halves of 58 us make a one, of 100 us a zero.
	const figure = "111111111111 0 00110111 0 01110100 0 01000011 1"
	var want []time.Duration
	for _, c := range strings.ReplaceAll(figure, " ", "") {
		half := 100 * time.Microsecond
		if c == '1' {
			half = 58 * time.Microsecond
		}
		want = append(want, half, half)
	}
	if got := (Sender{Preamble: 12}).Append(nil, published(t)); !slices.Equal(got, want) {
		t.Errorf("halves %v, want %v", got, want)
	}
}

func TestASenderStretchesTheSecondHalvesOfZeros(t *testing.T) {
	p := published(t)
	var want []time.Duration
	for _, half := range (Sender{}).Append(nil, p) {
		if half == nmra.HalfZero && len(want)%2 == 1 {
			half = 700 * time.Microsecond
		}
		want = append(want, half)
	}
	if got := (Sender{Stretch: 700 * time.Microsecond}).Append(nil, p); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestAppendKeepsWhatIsThere(t *testing.T) {
	s := Sender{Preamble: 20}
	all := s.Append(s.Ones(nil, 3), published(t))
	want := slices.Concat(slices.Repeat([]time.Duration{nmra.HalfOne}, 6), s.Append(nil, published(t)))
	if !slices.Equal(all, want) {
		t.Errorf("%v, want %v", all, want)
	}
}

func TestEveryFaultHasWordsThatAreParsed(t *testing.T) {
	for _, f := range Faults() {
		for _, text := range []string{f.String(), strings.ReplaceAll(f.String(), " ", "-")} {
			if got, err := ParseFault(text); err != nil || got != f {
				t.Errorf("%q: %v, %v, want %v", text, got, err, f)
			}
		}
	}
	for _, text := range []string{"", "no fault", "too-many-bytes", "long"} {
		if f, err := ParseFault(text); err == nil || !strings.Contains(err.Error(), "want one of long-half, ") {
			t.Errorf("%q: %v, %v, want an error that lists the faults", text, f, err)
		}
	}
	if got := Fault(200).String(); got != "fault 200" {
		t.Errorf("an unknown fault is %q", got)
	}
}

func TestAFaultIsTheHalfThatWasAskedFor(t *testing.T) {
	p := published(t) // 0 00110111 0 01110100 0 01000011 1
	good := Sender{}.Append(nil, p)
	for _, c := range []struct {
		fault Fault
		at    int
		half  int // of the packet, from 1; the first that differs
		want  time.Duration
	}{
		{LongHalf, 1, 1, mostZero + beyond},
		{LongHalf, 8, 8, mostOne + beyond}, // the second of the third data bit, a one
		{ShortHalf, 2, 2, leastZero - beyond},
		{ShortHalf, 7, 7, leastOne - beyond},
		{ShortHalf, 0, 28, leastOne - beyond},
		{ShortHalf, 1000, 56, leastOne - beyond}, // the end bit's last
		{UnevenOne, 1, 7, 53 * time.Microsecond},
		{UnevenOne, 8, 7, 53 * time.Microsecond},
		{UnevenOne, 53, 53, 53 * time.Microsecond},
		{LongZero, 55, 49, 6000 * time.Microsecond}, // the last zero: two ones and the end bit come behind it
		{LongZero, 1, 1, 6000 * time.Microsecond},
	} {
		got := Sender{Fault: c.fault, At: c.at}.Append(nil, p)
		first := slices.IndexFunc(got, func(d time.Duration) bool { return d > 10*time.Millisecond || !slices.Contains(good, d) })
		if first != 2*nmra.Preamble+c.half-1 || got[first] != c.want || len(got) != len(good) {
			t.Errorf("%v at %d: half %d of the packet is the first that differs, want half %d of %v", c.fault, c.at, first-2*nmra.Preamble+1, c.half, c.want)
		}
	}
	for at := 1; at <= 60; at++ {
		got := Sender{Fault: CutShort, At: at}.Append(nil, p)
		if want := good[:2*nmra.Preamble+min(at, 56)]; !slices.Equal(got, want) {
			t.Errorf("cut short behind half %d: %v, want %v", at, got, want)
		}
	}
}

func TestBitsAreThoseOfThePacketWithTheirFault(t *testing.T) {
	p := published(t)
	for _, c := range []struct {
		fault Fault
		at    int
		want  string
	}{
		// NMRA S-9.2 (July 2004), the figure of a transmitted packet.
		{NoFault, 0, "111111111111 0 00110111 0 01110100 0 01000011 1"},
		{LongHalf, 0, "111111111111 0 00110111 0 01110100 0 01000011 1"},
		{ShortPreamble, 0, "11111111 0 00110111 0 01110100 0 01000011 1"},
		{WrongCheck, 0, "111111111111 0 00110111 0 01110100 0 01000010 1"},
		{MissingEnd, 0, "111111111111 0 00110111 0 01110100 0 01000011 0"},
		{CutShort, 0, "111111111111 0 00110111 0 0111"},
		{CutShort, 1, "111111111111"},
		{CutShort, 20, "111111111111 0 00110111 0"},
	} {
		s := Sender{Preamble: 12, Stretch: time.Millisecond, Fault: c.fault, At: c.at}
		if got := s.BitString(p); got != c.want {
			t.Errorf("%v: %q, want %q", c.fault, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		p, preamble := packets().Draw(t, "packet"), rapid.IntRange(1, 40).Draw(t, "preamble")
		if got, want := (Sender{Preamble: preamble}).BitString(p), p.BitString(preamble); got != want {
			t.Fatalf("%q, want %q", got, want)
		}
	})
}

func TestSendingAllocatesNothingButRoom(t *testing.T) {
	p := published(t)
	room := make([]time.Duration, 0, 1000)
	for _, f := range append(Faults(), NoFault) {
		if n := testing.AllocsPerRun(100, func() { Sender{Fault: f}.Append(room, p) }); n != 0 {
			t.Errorf("%v: %v allocations, want none", f, n)
		}
	}
}

// mixed is packets of every length, whose bytes are as if at random.
func mixed() []nmra.Packet { return rapid.SliceOfN(packets(), 200, 200).Example(1) }

func BenchmarkPacketsToEdges(b *testing.B) {
	all := mixed()
	halves := make([]time.Duration, 0, len(all)*2*(nmra.Preamble+9*nmra.MaxBytes+1))
	b.ReportAllocs()
	edges := 0
	for b.Loop() {
		halves = halves[:0]
		for _, p := range all {
			halves = Sender{}.Append(halves, p)
		}
		edges += len(halves)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
}
