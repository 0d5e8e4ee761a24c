package conform

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// strips has a signal that begins at start scanned, and its strips kept, in batches of at most so many halves.
func strips(signal []time.Duration, volts []wave.Volts, start time.Duration, batch int) []Strip {
	var scanner wave.Scanner
	var kept Strips
	at := start
	for from := 0; from < len(signal); from += batch {
		halves := signal[from:min(from+batch, len(signal))]
		var v []wave.Volts
		if volts != nil {
			v = volts[from : from+len(halves)]
		}
		kept.Halves(at, halves, v)
		for _, half := range halves {
			at += half
		}
		for len(halves) > 0 {
			n, found := scanner.Scan(halves)
			kept.Found(found, start)
			halves = halves[n:]
		}
	}
	kept.Found(scanner.End(), start)
	return kept.List()
}

// speed is the packet of the standard's figure of a transmitted packet.
func speed(t interface{ Fatal(...any) }) nmra.Packet {
	// NMRA S-9.2 (July 2004), section A, the figure: address 55, forward, step 6 of 28
	p, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// signalWith is three packets, the second as the sender sends it.
func signalWith(t testing.TB, bad wave.Sender) []time.Duration {
	t.Helper()
	var good wave.Sender
	return good.Ones(good.Append(bad.Append(good.Append(nil, speed(t)), speed(t)), speed(t)), 10)
}

func sum(halves []time.Duration) (all time.Duration) {
	for _, half := range halves {
		all += half
	}
	return all
}

func TestTheHalvesAtFaultOfEachKindAreMarked(t *testing.T) {
	for _, c := range []struct {
		fault  wave.Fault
		marked []time.Duration // in µs
		bytes  []byte          // that are whole
	}{
		{wave.LongHalf, []time.Duration{70}, []byte{0x37}},
		{wave.ShortHalf, []time.Duration{46}, []byte{0x37}},
		{wave.UnevenOne, []time.Duration{53, 63}, []byte{0x37}},
		{wave.LongZero, []time.Duration{6000, 6006}, []byte{0x37}},
		{wave.WrongCheck, []time.Duration{100, 100, 58, 58, 100, 100, 100, 100, 100, 100, 100, 100, 58, 58, 100, 100}, []byte{0x37, 0x74, 0x42}},
		{wave.MissingEnd, []time.Duration{100, 100}, []byte{0x37, 0x74, 0x43}},
		{wave.ShortPreamble, slices.Repeat([]time.Duration{58}, 18), []byte{0x37}},
	} {
		got := strips(signalWith(t, wave.Sender{Fault: c.fault}), nil, 0, 64)
		if len(got) != 1 || got[0].Found.Fault != c.fault {
			t.Errorf("%v: got strips %+v, want one", c.fault, got)
			continue
		}
		s := got[0]
		var marked []time.Duration
		for _, half := range s.Halves[s.From:s.To] {
			marked = append(marked, half/time.Microsecond)
		}
		if diff := cmp.Diff(c.marked, marked); diff != "" {
			t.Errorf("%v: halves marked (-want +got):\n%s", c.fault, diff)
		}
		var bytes []byte
		for _, b := range s.Bytes() {
			bytes = append(bytes, b.Value)
			if b.To-b.From != 16 {
				t.Errorf("%v: byte %02X has halves %d to %d, want 16 of them", c.fault, b.Value, b.From, b.To)
			}
		}
		if diff := cmp.Diff(c.bytes, bytes); diff != "" {
			t.Errorf("%v: bytes (-want +got):\n%s", c.fault, diff)
		}
	}
}

func TestAPacketCutShortIsMarkedWhole(t *testing.T) {
	for at := 3; at < 54; at++ {
		for _, s := range strips(signalWith(t, wave.Sender{Fault: wave.CutShort, At: at}), nil, 0, 1000) {
			if s.Found.Half > 0 {
				if s.To != s.From+1 || s.Halves[s.From] != s.Found.Half {
					t.Errorf("cut behind half %d: marked %d to %d of %v, want one of %v", at, s.From, s.To, s.Halves, s.Found.Half)
				}
				continue
			}
			if s.From != s.Packet || sum(s.Halves[s.From:s.To]) != s.Found.End-s.Found.Start {
				t.Errorf("cut behind half %d: marked %d to %d, packet from %d", at, s.From, s.To, s.Packet)
			}
		}
	}
}

func TestWithoutAFaultTheFirstPacketIsShown(t *testing.T) {
	got := strips(signalWith(t, wave.Sender{}), nil, time.Second, 64)
	if len(got) != 1 || got[0].Found.Kind != wave.PacketFound {
		t.Fatalf("got %+v, want the strip of a packet", got)
	}
	s := got[0]
	// NMRA S-9.1 (2020): 14 ones of 2 x 58 µs lead in the packet
	if want := time.Second + 14*2*58*time.Microsecond; s.Found.Start != want || s.Start+sum(s.Halves[:s.Packet]) != want {
		t.Errorf("the packet starts at %v, its half at %v; want %v", s.Found.Start, s.Start+sum(s.Halves[:s.Packet]), want)
	}
	var text []byte
	for _, c := range s.Cells() {
		text = append(text, map[wave.Bit]byte{wave.Zero: '0', wave.One: '1', wave.Broken: '?'}[c.Bit])
	}
	// NMRA S-9.2 (July 2004), section A, the figure of a transmitted packet
	if want := "1111111111" + "0" + "00110111" + "0" + "01110100" + "0" + "01000011" + "1" + "111111111"; string(text) != want {
		t.Errorf("bits %s, want %s", text, want)
	}
}

func TestTheFirstFaultOfEachKindIsKeptUpToMost(t *testing.T) {
	var signal []time.Duration
	faults := []wave.Fault{wave.LongHalf, wave.LongHalf, wave.WrongCheck, wave.UnevenOne, wave.MissingEnd, wave.LongZero}
	for _, fault := range faults {
		signal = wave.Sender{}.Append(wave.Sender{Fault: fault}.Append(signal, speed(t)), speed(t))
	}
	var got []wave.Fault
	for _, s := range strips(signal, nil, 0, 500) {
		got = append(got, s.Found.Fault)
	}
	if diff := cmp.Diff([]wave.Fault{wave.LongHalf, wave.WrongCheck, wave.UnevenOne, wave.MissingEnd}, got); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
}

func TestAStripIsAPartOfTheSignalHoweverItsHalvesCome(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var signal []time.Duration
		for range rapid.IntRange(0, 6).Draw(t, "packets") {
			sender := wave.Sender{
				Fault: rapid.SampledFrom(append(wave.Faults(), wave.NoFault)).Draw(t, "fault"),
				At:    rapid.IntRange(0, 60).Draw(t, "at"), Preamble: rapid.IntRange(10, 60).Draw(t, "preamble"),
			}
			p, err := nmra.NewPacket(rapid.SliceOfN(rapid.Byte(), nmra.MinBytes, nmra.MaxBytes).Draw(t, "bytes")...)
			if err != nil {
				t.Fatal(err)
			}
			signal = sender.Append(signal, p)
		}
		for range rapid.IntRange(0, 4).Draw(t, "hits") {
			if len(signal) > 0 {
				signal[rapid.IntRange(0, len(signal)-1).Draw(t, "hit")] = time.Duration(rapid.IntRange(1, 13_000_000).Draw(t, "half"))
			}
		}
		var volts []wave.Volts
		for i := range signal {
			volts = append(volts, wave.Volts(i))
		}
		start := time.Duration(rapid.IntRange(0, 1e9).Draw(t, "start"))
		got := strips(signal, volts, start, len(signal)+1)
		if diff := cmp.Diff(got, strips(signal, volts, start, rapid.IntRange(1, 300).Draw(t, "batch")), cmpopts.EquateComparable(nmra.Packet{})); diff != "" {
			t.Fatalf("the batches change the strips (-whole +in batches):\n%s", diff)
		}
		for _, s := range got {
			first := int(s.Volts[0])
			if diff := cmp.Diff(signal[first:first+len(s.Halves)], s.Halves); diff != "" {
				t.Fatalf("halves (-of the signal +of the strip):\n%s", diff)
			}
			if want := start + sum(signal[:first]); s.Start != want || s.Second != (first%2 == 1) || len(s.Volts) != len(s.Halves) {
				t.Fatalf("strip %+v: want its start %v, half %d", s, want, first)
			}
			if s.From < 0 || s.From >= s.To || s.To > len(s.Halves) || s.Packet < 0 || s.Packet > len(s.Halves) || len(s.Halves) > 200 {
				t.Fatalf("strip %+v: halves at fault or packet out of it, or more of it than can be read", s)
			}
			at := 0
			for _, c := range s.Cells() {
				if c.From != at || c.To <= at {
					t.Fatalf("cells %+v: one ends at half %d and the next does not begin there", s.Cells(), at)
				}
				at = c.To
			}
			if at != len(s.Halves) {
				t.Fatalf("cells end at half %d of %d", at, len(s.Halves))
			}
			if p := s.Found.Packet; s.Found.Kind == wave.PacketFound || s.Found.Fault == wave.WrongCheck || s.Found.Fault == wave.MissingEnd {
				var room [nmra.MaxBytes]byte
				var bytes []byte
				for _, b := range s.Bytes() {
					bytes = append(bytes, b.Value)
				}
				if diff := cmp.Diff(p.Append(room[:0]), bytes); diff != "" {
					t.Fatalf("%v: bytes (-of the packet +of the strip):\n%s", s.Found, diff)
				}
			}
		}
	})
}

func TestAStripEndsWhereTheSignalHasAGap(t *testing.T) {
	signal := signalWith(t, wave.Sender{})
	var scanner wave.Scanner
	var kept Strips
	const packet = 28 + 56 // its preamble, three bytes, end bit: halves
	kept.Halves(0, signal[:packet], nil)
	for halves := signal[:packet]; len(halves) > 0; {
		n, found := scanner.Scan(halves)
		kept.Found(found, 0)
		halves = halves[n:]
	}
	kept.Halves(time.Minute, signal[packet:], nil)
	if got := kept.List(); len(got) != 1 || got[0].To != len(got[0].Halves) {
		t.Errorf("got %+v, want one strip that ends with its packet", got)
	}
	kept.Found(wave.Finding{Kind: wave.FaultFound, Fault: wave.LongHalf, Start: 0, End: 58 * time.Microsecond, Half: 58 * time.Microsecond}, 0)
	if got := kept.List(); len(got) != 1 || got[0].Found.Kind != wave.PacketFound {
		t.Errorf("got %+v: what lies before the gap is not kept any more", got)
	}
}

func TestWhatLiesTooFarBackHasNoStrip(t *testing.T) {
	// The ring has the same halves at the same places twice, so that a strip cut from what has gone would not be noticed by its times.
	signal := slices.Repeat([]time.Duration{58 * time.Microsecond}, 2*kept)
	var strips Strips
	strips.Halves(0, signal, nil)
	found := wave.Finding{Kind: wave.FaultFound, Fault: wave.UnevenOne, Half: 58 * time.Microsecond}
	found.End = sum(signal[:kept-1])
	found.Start = found.End - 2*found.Half
	if strips.Found(found, 0); len(strips.List()) != 0 {
		t.Errorf("got %+v: its halves are gone", strips.List())
	}
	found.Start, found.End = found.Start+200*found.Half, found.End+200*found.Half
	if strips.Found(found, 0); len(strips.List()) != 1 {
		t.Errorf("got %+v, want the strip of what is still there", strips.List())
	}
}

func TestStripsAllocateNothingForAHalf(t *testing.T) {
	signal := slices.Repeat(signalWith(t, wave.Sender{}), 20)
	volts := make([]wave.Volts, len(signal))
	var kept Strips
	at := time.Duration(0)
	feed := func() {
		kept.Halves(at, signal, volts)
		at += sum(signal)
	}
	feed()
	if n := testing.AllocsPerRun(20, feed); n != 0 {
		t.Errorf("%v allocations for %d halves, want none", n, len(signal))
	}
}

func BenchmarkStrips(b *testing.B) {
	signal := slices.Repeat(signalWith(b, wave.Sender{}), 20)
	volts := make([]wave.Volts, len(signal))
	var kept Strips
	at, length := time.Duration(0), sum(signal)
	b.ReportAllocs()
	for b.Loop() {
		kept.Halves(at, signal, volts)
		at += length
	}
	b.ReportMetric(float64(b.N*len(signal))/b.Elapsed().Seconds(), "halves/s")
}
