package wave

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra"

	"pgregory.net/rapid"
)

// all gives every finding in a signal that comes in batches of these lengths, over and over; none: at once.
func all(halves []time.Duration, batches ...int) []Finding {
	var s Scanner
	var found []Finding
	for k := 0; len(halves) > 0; k++ {
		batch := halves
		if len(batches) > 0 {
			batch = halves[:min(len(halves), batches[k%len(batches)])]
		}
		n, f := s.Scan(batch)
		if f.Kind != NothingFound {
			found = append(found, f)
		} else if n != len(batch) {
			panic(fmt.Sprintf("nothing found in %d halves, and only %d taken", len(batch), n))
		}
		halves = halves[n:]
	}
	if f := s.End(); f.Kind != NothingFound {
		found = append(found, f)
	}
	if s != (Scanner{}) {
		panic("the signal has ended, and the Scanner is not as new")
	}
	return found
}

func length(halves []time.Duration) (whole time.Duration) {
	for _, h := range halves {
		whole += h
	}
	return whole
}

// signal is what a station sends, and the packets that have to be found in it.
type signal struct {
	halves []time.Duration
	want   []Finding
	starts []int // the half with which the start bit of each begins
}

// send appends a packet by its halves; the preamble takes so many of them, behind so many ones that were there before.
func (s *signal) send(p nmra.Packet, halves []time.Duration, preamble, before int) {
	at := length(s.halves)
	s.starts = append(s.starts, len(s.halves)+2*preamble)
	s.halves = append(s.halves, halves...)
	s.want = append(s.want, Finding{Kind: PacketFound, Packet: p, Start: at + length(halves[:2*preamble]), End: at + length(halves),
		Preamble: preamble + before})
}

func TestThePublishedPacketIsFoundInItsHalves(t *testing.T) {
	// NMRA S-9.2 (July 2004), the figure of a transmitted packet; NMRA S-9.1 (2020): halves of 58 us make a one, of 100 us a zero.
	const figure = "111111111111 0 00110111 0 01110100 0 01000011 1"
	var halves []time.Duration
	for _, c := range strings.ReplaceAll(figure, " ", "") {
		half := 100 * time.Microsecond
		if c == '1' {
			half = 58 * time.Microsecond
		}
		halves = append(halves, half, half)
	}
	want := []Finding{{Kind: PacketFound, Packet: published(t), Start: 12 * 116 * time.Microsecond, End: length(halves), Preamble: 12}}
	if got := all(halves); !slices.Equal(got, want) {
		t.Errorf("found %+v, want %+v", got, want)
	}
}

func TestHalvesAreTakenUpToTheLimitsAndNotANanosecondBeyond(t *testing.T) {
	const preamble = 12
	good := Sender{Preamble: preamble}.Append(nil, published(t)) // 0 00110111 ...
	const zero, one = 2*preamble + 2, 2*preamble + 6             // the first halves of two data bits
	for _, c := range []struct {
		first         int
		halves        []time.Duration
		fault         Fault
		before, after int // halves of those given that come before the fault, and how many it has
	}{
		// NMRA S-9.1 (2020), what a decoder must accept: each half of a one, and their difference.
		{one, micros(52, 52), NoFault, 0, 0},
		{one, micros(51.999, 52), ShortHalf, 0, 1},
		{one, micros(52, 51.999), ShortHalf, 1, 1},
		{one, micros(64, 64), NoFault, 0, 0},
		{one, micros(64.001, 64), LongHalf, 0, 1},
		{one, micros(64, 64.001), LongHalf, 1, 1},
		{one, micros(55, 61), NoFault, 0, 0},
		{one, micros(61, 55), NoFault, 0, 0},
		{one, micros(55, 61.001), UnevenOne, 0, 2},
		{one, micros(61.001, 55), UnevenOne, 0, 2},
		// NMRA S-9.1 (2020), what a decoder must accept: each half of a zero, and the whole of a stretched one.
		{zero, micros(90, 90), NoFault, 0, 0},
		{zero, micros(89.999, 90), ShortHalf, 0, 1},
		{zero, micros(90, 89.999), ShortHalf, 1, 1},
		{zero, micros(10_000, 90), NoFault, 0, 0},
		{zero, micros(90, 10_000), NoFault, 0, 0},
		{zero, micros(10_000.001, 90), LongHalf, 0, 1},
		{zero, micros(90, 10_000.001), LongHalf, 1, 1},
		{zero, micros(10_000, 2_000), NoFault, 0, 0},
		{zero, micros(2_000.001, 10_000), LongZero, 0, 2},
		// Our own choice, between the two: the nearer limit names it.
		{one, micros(58, 77), LongHalf, 1, 1},
		{one, micros(58, 77.001), ShortHalf, 1, 1},
		{one, micros(58, 0), ShortHalf, 1, 1},
		{one, micros(58, -100), ShortHalf, 1, 1},
	} {
		halves := slices.Clone(good)
		copy(halves[c.first:], c.halves)
		start := c.first + c.before
		want := Finding{Kind: PacketFound, Packet: published(t), Start: length(halves[:2*preamble]), End: length(halves), Preamble: preamble}
		if c.fault != NoFault {
			end := start + c.after
			want = Finding{Kind: FaultFound, Fault: c.fault, Start: length(halves[:start]), End: length(halves[:end]), Half: halves[end-1]}
		}
		if got := all(halves); !slices.Equal(got, []Finding{want}) {
			t.Errorf("%v in place of bit %d: found %+v, want %+v", c.halves, c.first/2, got, want)
		}
	}
}

func TestEveryPacketComesBackInItsPlaceAtAnyTimingThatADecoderMustAccept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// A decoder comes in where it does: the number of halves before the first packet may be odd.
		lead := rapid.IntRange(0, 9).Draw(t, "halves before")
		var s signal
		s.halves = uneven(t, slices.Repeat([]bool{true}, 5))[:lead]
		ones := lead / 2
		for range rapid.IntRange(1, 4).Draw(t, "packets") {
			p, preamble := packets().Draw(t, "packet"), rapid.IntRange(10, 40).Draw(t, "preamble")
			s.send(p, uneven(t, slices.Collect(p.Bits(preamble))), preamble, ones)
			ones = 1
		}
		if got := all(s.halves, rapid.SliceOfN(rapid.IntRange(1, 100), 1, 3).Draw(t, "batches")...); !slices.Equal(got, s.want) {
			t.Fatalf("found %+v, want %+v", got, s.want)
		}
	})
}

func TestEveryPacketComesBackAsStationsMaySendIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// NMRA S-9.1 (2020), what a station may send: zeros stretched to 9900 us a half, and 12000 us in all.
		sender := Sender{Preamble: rapid.IntRange(10, 60).Draw(t, "preamble"),
			Stretch: time.Duration(rapid.IntRange(95, 9900).Draw(t, "stretch")) * time.Microsecond}
		var s signal
		for n := range rapid.IntRange(1, 4).Draw(t, "packets") {
			p := packets().Draw(t, "packet")
			s.send(p, sender.Append(nil, p), sender.Preamble, min(n, 1))
		}
		if got := all(s.halves); !slices.Equal(got, s.want) {
			t.Fatalf("found %+v, want %+v", got, s.want)
		}
	})
}

func TestASignalThatBeginsAnywhereGivesEveryPacketWithAPreamble(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s signal
		for n := range rapid.IntRange(1, 4).Draw(t, "packets") {
			p, preamble := packets().Draw(t, "packet"), rapid.IntRange(10, 20).Draw(t, "preamble")
			s.send(p, uneven(t, slices.Collect(p.Bits(preamble))), preamble, min(n, 1))
		}
		cut := rapid.IntRange(0, len(s.halves)).Draw(t, "cut")
		var want []Finding
		for n, f := range s.want {
			// Ten ones are a preamble (NMRA S-9.2, July 2004, section A).
			if cut <= s.starts[n]-20 {
				f.Start -= length(s.halves[:cut])
				f.End -= length(s.halves[:cut])
				want = append(want, f)
			}
		}
		got := all(s.halves[cut:])
		if len(got) > 0 && len(want) > 0 {
			want[0].Preamble = got[0].Preamble // as many as are left, and those of the packet that was cut into
		}
		if !slices.Equal(got, want) {
			t.Fatalf("from half %d on: found %+v, want %+v", cut, got, want)
		}
	})
}

// afterCut is what any receiver must take a packet for that breaks off behind so many halves, by the rules that the Scanner gives:
// the packet, where it is found; and the fault.
func afterCut(p nmra.Packet, halves int) (found nmra.Packet, fault Fault) {
	bits := slices.Collect(p.Bits(0))
	whole := halves / 2
	switch {
	case halves >= 2*len(bits)-2:
		if halves == 2*len(bits)-1 {
			return p, CutShort
		}
		return p, NoFault
	case halves%2 == 1 && !bits[whole]:
		return nmra.Packet{}, CutShort
	}
	var data []byte
	for n := 0; n < whole; n += 9 {
		b := byte(0)
		for k := n + 1; k < n+9; k++ {
			b <<= 1
			if k >= whole || bits[k] {
				b |= 1
			}
		}
		data = append(data, b)
	}
	var check byte
	for _, b := range data {
		check ^= b
	}
	last := data[len(data)-1]
	if len(data) >= nmra.MinBytes && check == 0 {
		found, err := nmra.NewPacket(data...)
		if err != nil {
			panic(err)
		}
		return found, NoFault
	}
	if halves%2 == 0 && len(data) > nmra.MinBytes && last == 0xFF && check == 0xFF {
		return nmra.Packet{}, MissingEnd
	}
	return nmra.Packet{}, CutShort
}

func TestEveryFaultThatIsSentIsFoundUnderItsNameAndThenTheNextPacket(t *testing.T) {
	for _, sent := range Faults() {
		t.Run(sent.String(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				fault := sent // under which it must be found
				sender := Sender{Preamble: rapid.IntRange(10, 30).Draw(t, "preamble"),
					Stretch: time.Duration(rapid.SampledFrom([]int{0, 95, 1000, 1900}).Draw(t, "stretch")) * time.Microsecond}
				broken := sender
				broken.Fault = sent
				p := packets().Draw(t, "packet at fault")
				broken.At = rapid.IntRange(0, 2*(9*p.Len()+1)).Draw(t, "at")
				var s signal
				for range rapid.IntRange(1, 2).Draw(t, "before") {
					before := packets().Draw(t, "packet")
					s.send(before, sender.Append(nil, before), sender.Preamble, min(len(s.want), 1))
				}
				want := slices.Clone(s.want)
				start := length(s.halves)
				s.halves = broken.Append(s.halves, p)
				end := length(s.halves)
				next := packets().Draw(t, "next")
				s.send(next, sender.Append(nil, next), sender.Preamble, 0)
				s.halves = sender.Ones(s.halves, 3)
				got := all(s.halves, rapid.SliceOfN(rapid.IntRange(1, 100), 1, 3).Draw(t, "batches")...)

				if sent == CutShort {
					at := broken.At
					if at == 0 {
						at = middle
					}
					found, as := afterCut(p, at)
					if found != (nmra.Packet{}) && found != p {
						return // a check byte that happens to be right: another packet, to any receiver
					}
					if found == p && at < 2*9*p.Len() {
						return // only ones were missing: it is whole, at the cost of the preamble behind it
					}
					if found == p {
						if len(got) <= len(want) || got[len(want)].Packet != p {
							t.Fatalf("found %+v, want %v", got, p)
						}
						got = slices.Delete(got, len(want), len(want)+1)
					}
					if as == NoFault {
						got = slices.Insert(got, len(want), Finding{Kind: FaultFound, Fault: as, Start: start, End: end})
					}
					fault = as
				}
				if len(got) != len(want)+2 || !slices.Equal(got[:len(want)], want) {
					t.Fatalf("found %+v, want %+v, then a %v and %v", got, want, fault, next)
				}
				f := got[len(want)]
				if f.Kind != FaultFound || f.Fault != fault || f.Start < start || f.Start >= f.End {
					t.Fatalf("found %+v, want a %v from %v on", f, fault, start)
				}
				if sent == MissingEnd && f.Packet != p {
					t.Fatalf("%v has no end, and %v was sent", f.Packet, p)
				}
				after := s.want[len(s.want)-1]
				after.Preamble = got[len(want)+1].Preamble // behind a fault all ones in a row count
				if got[len(want)+1] != after {
					t.Fatalf("found %+v behind the fault, want %+v", got[len(want)+1], after)
				}
			})
		})
	}
}

func TestALonePacketAtFaultIsNamedAtTheEndOfTheSignal(t *testing.T) {
	p := published(t)
	for _, fault := range []Fault{LongHalf, ShortHalf, UnevenOne, LongZero, WrongCheck, MissingEnd, CutShort} {
		s := Sender{Fault: fault}
		if got := all(s.Ones(s.Append(nil, p), 9)); len(got) != 1 || got[0].Fault != fault {
			t.Errorf("%v: found %+v", fault, got)
		}
	}
}

func TestEachOfSeveralFaultsIsToldInItsPlace(t *testing.T) {
	p := published(t)
	good, wrong := Sender{}, Sender{Fault: WrongCheck}
	bytes := func(b ...byte) nmra.Packet {
		p, err := nmra.NewPacket(b...)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	one, packet := micros(58), Sender{}.Append(nil, p)
	cut := func(p nmra.Packet, halves int) []time.Duration {
		return Sender{Fault: CutShort, At: halves}.Append(nil, p)
	}
	type fault struct {
		is     Fault
		packet nmra.Packet
		half   time.Duration
		part   int // in which it starts
	}
	broken := bytes(0x37, 0x74, 0x42)
	for _, c := range []struct {
		name  string
		parts [][]time.Duration // then a packet
		want  []fault
	}{
		{"half a one too many before a packet", [][]time.Duration{packet, good.Ones(nil, 5), one, packet[:2*nmra.Preamble], packet[2*nmra.Preamble:]},
			[]fault{{is: CutShort, half: 58_000, part: 3}}}, // the half right before the start bit
		{"within a zero", [][]time.Duration{packet, cut(p, 4), micros(100)}, []fault{{is: CutShort, half: 100_000, part: 2}}},
		{"a long half behind a wrong check", [][]time.Duration{wrong.Append(nil, p), good.Ones(nil, 2), micros(70)},
			[]fault{{is: WrongCheck, packet: broken}, {is: LongHalf, half: 70_000, part: 2}}},
		{"a short half behind a missing end", [][]time.Duration{Sender{Fault: MissingEnd}.Append(nil, p), good.Ones(nil, 12), micros(30)},
			[]fault{{is: MissingEnd, packet: p}, {is: ShortHalf, half: 30_000, part: 2}}},
		{"an uneven one behind a wrong check, and half a one", [][]time.Duration{wrong.Append(nil, p), good.Ones(nil, 2), micros(53, 63), one},
			[]fault{{is: WrongCheck, packet: broken}, {is: UnevenOne, half: 63_000, part: 2}, {is: CutShort, half: 58_000, part: 3}}},
		{"the third byte fills with ones behind two that are alike", [][]time.Duration{packet, cut(bytes(0x55, 0x55, 0), 2*19), nil},
			[]fault{{is: CutShort, part: 1}}},
		{"all bits of a check byte are wrong, and yet there is an end", [][]time.Duration{packet, good.Append(nil, bytes(1, 2, 3, 0xFF))},
			[]fault{{is: WrongCheck, packet: bytes(1, 2, 3, 0xFF), part: 1}}},
	} {
		var got []fault
		found := all(append(slices.Concat(c.parts...), packet...))
		for _, f := range found {
			if f.Kind != FaultFound {
				continue
			}
			at := fault{is: f.Fault, packet: f.Packet, half: f.Half}
			for n := range c.parts {
				if length(slices.Concat(c.parts[:n]...)) <= f.Start {
					at.part = n
				}
			}
			if f.Half > 0 && f.Fault == CutShort && f.End-f.Start != f.Half {
				t.Errorf("%s: %+v does not end with its half", c.name, f)
			}
			got = append(got, at)
		}
		if !slices.Equal(got, c.want) || found[len(found)-1].Packet != p {
			t.Errorf("%s: found %+v, want %+v and %v behind", c.name, found, c.want, p)
		}
	}
}

func TestEachOfSeveralWrongChecksInARowIsToldAsThat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Sender{Fault: WrongCheck, Preamble: rapid.IntRange(10, 30).Draw(t, "preamble")}
		var halves []time.Duration
		n := rapid.IntRange(2, 4).Draw(t, "packets")
		for range n {
			halves = s.Append(halves, packets().Draw(t, "packet"))
		}
		s.Fault = NoFault
		last := packets().Draw(t, "last")
		got := all(s.Append(halves, last))
		if len(got) != n+1 || got[n].Packet != last {
			t.Fatalf("found %+v, want %d faults and %v", got, n, last)
		}
		for _, f := range got[:n] {
			if f.Fault != WrongCheck {
				t.Fatalf("found %+v, want wrong checks", got)
			}
		}
	})
}

func TestMoreThanSixBytesAreTooMany(t *testing.T) {
	var s Sender
	halves := s.Ones(nil, 14)
	start := length(halves)
	byteOf := []time.Duration{100_000, 100_000, 58_000, 58_000}
	for range 7 {
		halves = append(halves, byteOf...)
		halves = append(halves, slices.Repeat([]time.Duration{100_000}, 14)...)
	}
	// The check of seven bytes of 80 is not right behind six: the sixth makes it 00, so change one.
	halves[2*14+2], halves[2*14+3] = 100_000, 100_000
	end := length(halves[:2*(14+6*9+1)])
	halves = s.Append(halves, published(t))
	got := all(halves)
	want := Finding{Kind: FaultFound, Fault: TooManyBytes, Start: start, End: end, Preamble: 14}
	if len(got) != 2 || got[0] != want || got[1].Packet != published(t) {
		t.Errorf("found %+v, want %+v and the packet behind it", got, want)
	}
}

func TestBehindAnyNoiseThePacketIsFound(t *testing.T) {
	before := published(t)
	rapid.Check(t, func(t *rapid.T) {
		lengths := []time.Duration{-1, 0, 30_000, 52_000, 58_000, 64_000, 77_000, 90_000, 100_000, 10_000_000, 10_000_001, 1 << 40}
		noise := rapid.SliceOf(rapid.SampledFrom(lengths)).Draw(t, "noise")
		if rapid.Bool().Draw(t, "in the middle of a packet") {
			noise = slices.Insert(noise, 0, Sender{Fault: CutShort, At: rapid.IntRange(1, 50).Draw(t, "at")}.Append(nil, before)...)
		}
		p := packets().Draw(t, "packet")
		want := Finding{Kind: PacketFound, Packet: p, Start: length(noise) + nmra.Preamble*116*time.Microsecond}
		halves := Sender{}.Append(noise, p)
		want.End = length(halves)
		got := all(halves)
		if slices.ContainsFunc(got[:max(0, len(got)-1)], func(f Finding) bool { return f.Kind == PacketFound }) {
			return // noise that has the form of a packet is one
		}
		if len(got) == 0 {
			t.Fatalf("%v: nothing found", halves)
		}
		last := got[len(got)-1]
		last.Preamble = 0
		if last != want {
			t.Fatalf("%v: found %+v, want %+v", halves, got, want)
		}
	})
}

func FuzzScan(f *testing.F) {
	for _, fault := range append(Faults(), NoFault) {
		var seed []byte
		for _, half := range (Sender{Fault: fault}).Append((Sender{}).Append(nil, published(f)), published(f)) {
			seed = append(seed, byte(half>>10), byte(half>>18))
		}
		f.Add(seed, uint8(7), int64(1))
	}
	f.Fuzz(func(t *testing.T, data []byte, batch uint8, huge int64) {
		var halves []time.Duration
		for ; len(data) > 1; data = data[2:] {
			half := time.Duration(data[0])<<10 | time.Duration(data[1])<<18
			if data[1] == 0xFF {
				half = time.Duration(huge) << (data[0] % 64)
			}
			halves = append(halves, half)
		}
		got := all(halves)
		if len(got) > len(halves)+1 {
			t.Fatalf("%d findings in %d halves", len(got), len(halves))
		}
		if again := all(halves, int(batch)+1); !slices.Equal(got, again) {
			t.Fatalf("at once %+v, in batches of %d %+v", got, int(batch)+1, again)
		}
		for _, f := range got {
			if f.Kind == PacketFound && (f.Fault != NoFault || f.Packet.Len() < nmra.MinBytes || f.Preamble < 10) {
				t.Fatalf("%+v is no packet", f)
			}
			if f.Kind == FaultFound && f.Fault == NoFault {
				t.Fatalf("%+v is no fault", f)
			}
		}
	})
}

// scan takes a whole signal and counts the packets.
func scan(s *Scanner, halves []time.Duration) (packets int) {
	for len(halves) > 0 {
		n, found := s.Scan(halves)
		if halves = halves[n:]; found.Kind == PacketFound {
			packets++
		}
	}
	return packets
}

func TestScanningAllocatesNothing(t *testing.T) {
	var halves []time.Duration
	for _, fault := range append(Faults(), NoFault) {
		halves = Sender{Fault: fault}.Append(halves, published(t))
	}
	var s Scanner
	if n := testing.AllocsPerRun(100, func() { scan(&s, halves) }); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

func BenchmarkEdgesToPackets(b *testing.B) {
	all := mixed()
	var halves []time.Duration
	for _, p := range all {
		halves = Sender{}.Append(halves, p)
	}
	var s Scanner
	b.ReportAllocs()
	edges := 0
	for b.Loop() {
		if n := scan(&s, halves); n != len(all) {
			b.Fatalf("%d packets found, want %d", n, len(all))
		}
		edges += len(halves)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
}
