package conform

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// two is a packet, and another so long behind its end.
func two(tb testing.TB, first, second nmra.Packet, gap time.Duration) *track {
	s := &track{TB: tb}
	s.ones(nmra.Preamble)
	s.bare(first)
	s.quiet(gap)
	s.bare(second)
	s.ones(2)
	return s
}

func TestPacketsToOneAddressAreFiveMillisecondsApart(t *testing.T) {
	s := &track{TB: t}
	stop := s.encode(nmra.Instruction{Kind: nmra.Stop, Steps: nmra.Steps28, Forward: true})
	idle := s.encode(nmra.Instruction{Kind: nmra.Idle})
	long := func(n uint16) nmra.Packet {
		return s.encode(nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Long, Number: n}})
	}
	const close, far = 2 * time.Millisecond, 5 * time.Millisecond
	// NMRA S-9.2 (July 2004), section C: a decoder acts on two packets to it that are at least 5 ms apart, from end bit to start bit. What
	// of that holds for broadcasts, resets and what can't be read is our own choice.
	for _, c := range []struct {
		name          string
		first, second nmra.Packet
		gap           time.Duration
		want          Verdict
	}{
		{"5 ms", s.to(3), s.encode(nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Short, Number: 3}}), far, Kept},
		{"less", s.to(3), s.encode(nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Short, Number: 3}}), far - 2, Broken},
		{"the same packet again", s.to(3), s.to(3), far - 2, Broken},
		{"another address", s.to(3), s.to(4), close, NotSeen},
		{"the same number, but a long one", s.to(3), long(3), close, NotSeen},
		{"long addresses", long(4203), long(4203), close, Broken},
		{"neighbours", long(4203), long(4204), close, NotSeen},
		{"an accessory", s.bytes(0x81, 0xF0), s.bytes(0x81, 0xF9), close, Broken},
		{"a stop for all behind a packet", s.to(3), stop, close, NotSeen},
		{"a packet behind a stop for all", stop, s.to(3), close, NotSeen},
		{"a stop for all, again", stop, stop, close, Broken},
		{"idle, again", idle, idle, close, NotSeen},
		{"resets in a row", reset, reset, close, NotSeen},
		{"a reset behind a stop for all", stop, reset, close, Broken},
		{"what can't be read, but its address can", s.bytes(3, 0x20), s.to(3), close, Broken},
		{"what has no address", s.bytes(0xE9, 0), s.bytes(0xE9, 0), close, NotSeen},
	} {
		signal := two(t, c.first, c.second, c.gap)
		got := signal.result().Rules[Apart]
		if got.Verdict != c.want || c.want != NotSeen && (got.Least != float64(c.gap)/1e6 || got.Seen != 1) {
			t.Errorf("%s: %+v, want %v with %v", c.name, got, c.want, c.gap)
		}
		second := signal.length() - c.second.Airtime(0) - 4*nmra.HalfOne
		if c.want == Broken && got.First != second {
			t.Errorf("%s: first at %v, want the start bit at %v", c.name, got.First, second)
		}
	}
}

func TestThereIsAPacketEveryThirtyMilliseconds(t *testing.T) {
	// NMRA S-9.2 (July 2004), section C: from start bit to start bit.
	for _, c := range []struct {
		apart time.Duration
		want  Verdict
	}{{30 * time.Millisecond, Kept}, {30*time.Millisecond + 2, Broken}} {
		s := &track{TB: t}
		first := s.to(3)
		s = two(t, first, s.to(4), c.apart-first.Airtime(0))
		got := s.result().Rules[Often]
		if got.Verdict != c.want || got.Seen != 1 || got.Most != float64(c.apart)/1e6 || c.want == Broken && got.First != nmra.Preamble*2*nmra.HalfOne {
			t.Errorf("%v: %+v, want %v", c.apart, got, c.want)
		}
	}
}

func TestWhereThereIsNoPacketAtAllTheTimeBetweenThemIsTooLong(t *testing.T) {
	const silence = time.Second
	air := float64((&track{TB: t}).to(3).Airtime(0)) / 1e6
	for _, c := range []struct {
		name  string
		build func(s *track)
		want  []float64 // ms, of those that are too long
	}{
		{"ones before the first", func(s *track) { s.quiet(31e6); s.bare(s.to(3)); s.ones(2) }, []float64{31}},
		{"not so many ones before the first", func(s *track) { s.quiet(30e6); s.bare(s.to(3)); s.ones(2) }, nil},
		{"ones only", func(s *track) { s.quiet(40e6) }, []float64{40}},
		{"ones behind the last", func(s *track) { s.ones(20); s.bare(s.to(3)); s.quiet(40e6) }, []float64{40 + air}},
		{"ones behind the last, then silence", func(s *track) {
			s.ones(20)
			s.bare(s.to(3))
			s.quiet(40e6)
			s.halves = append(s.halves, silence)
			s.ones(20)
			s.bare(s.to(3))
			s.ones(2)
		}, []float64{40 + air}},
		{"ones behind a silence", func(s *track) {
			s.halves = append(s.halves, silence)
			s.quiet(32e6)
			s.bare(s.to(3))
			s.ones(2)
		}, []float64{32}},
		{"fewer ones behind a silence", func(s *track) {
			s.ones(20)
			s.bare(s.to(3))
			s.halves = append(s.halves, silence)
			s.quiet(20e6)
			s.bare(s.to(3))
			s.ones(2)
		}, nil},
		{"packets that can't be received, each with a 0 in its check byte in place of a 1", func(s *track) {
			s.ones(20)
			s.bare(s.to(3))
			for range 5 {
				s.send(s.to(3), wave.Sender{Fault: wave.WrongCheck, Preamble: nmra.ApartPreamble})
			}
			s.send(s.to(3), wave.Sender{Preamble: nmra.ApartPreamble})
			s.ones(2)
		}, []float64{6*(44*0.116+air) + 5*0.084}},
	} {
		s := &track{TB: t}
		c.build(s)
		got := s.result().Rules[Often]
		if len(c.want) == 0 && got.Verdict != NotSeen || len(c.want) > 0 && (got.Verdict != Broken || int(got.Outside) != len(c.want)) {
			t.Errorf("%s: %+v, want %v", c.name, got, c.want)
		} else if len(c.want) > 0 && fmt.Sprintf("%.3f", got.Most) != fmt.Sprintf("%.3f", c.want[0]) {
			t.Errorf("%s: %v ms at the most, want %v", c.name, got.Most, c.want[0])
		}
	}
}

func TestSilenceIsNoFault(t *testing.T) {
	s := &track{TB: t}
	s.send(s.to(3), wave.Sender{Preamble: 20})
	s.ones(1)
	from := s.length()
	s.halves = append(s.halves, time.Minute)
	to := s.length()
	s.send(s.to(3), wave.Sender{})
	s.halves = append(s.halves, LongestHalf+1)
	s.send(s.to(3), wave.Sender{})
	s.ones(2)
	r, _ := s.measured(Meter{Start: time.Second}, len(s.halves))
	if got := broken(r); got != nil || r.Traffic.Faults != nil {
		t.Errorf("rules %v broken, faults %v, want none", got, r.Traffic.Faults)
	}
	if got := r.Traffic; got.Silent != 2 || got.SilentFor != time.Minute+LongestHalf+1 || got.Silences[0] != (Silence{time.Second + from, time.Second + to}) {
		t.Errorf("%+v, want two silences, the first from %v to %v", got, from, to)
	}
	if got, want := r.Traffic.PerSecond(), 3/(s.length()-time.Minute-LongestHalf-1).Seconds(); got != want {
		t.Errorf("%v packets a second, want %v: silence left out", got, want)
	}

	s = &track{TB: t}
	s.halves = append(s.halves, LongestHalf)
	if got := s.result(); got.Traffic.Silent != 0 || got.Rules[ZeroAccepted].Verdict != Broken {
		t.Errorf("a half of %v: %+v, want a zero that is too long", LongestHalf, got.Traffic)
	}
}

func TestOnlySomeSilencesAreListedAndAllAreCounted(t *testing.T) {
	s := &track{TB: t}
	for range mostSilences + 5 {
		s.halves = append(s.halves, time.Second, nmra.HalfOne)
	}
	if got := s.result().Traffic; len(got.Silences) != mostSilences || got.Silent != mostSilences+5 || got.SilentFor != (mostSilences+5)*time.Second {
		t.Errorf("%d listed, %d of %v counted", len(got.Silences), got.Silent, got.SilentFor)
	}
}

func TestBehindAResetAddressesFrom100WaitTwentyMilliseconds(t *testing.T) {
	s := &track{TB: t}
	const least = 20 * time.Millisecond
	functions := s.encode(nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Short, Number: 113}, Group: nmra.F13toF20})
	long := s.encode(nmra.Instruction{Kind: nmra.Functions, Address: nmra.Address{Kind: nmra.Long, Number: 110}})
	verify := s.encode(nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: 13})
	// NMRA S-9.2 (July 2004), section B: addresses 01100100 to 01111111, unless service mode is meant.
	for _, c := range []struct {
		name   string
		packet nmra.Packet
		gap    time.Duration
		want   Verdict
	}{
		{"20 ms", s.to(100), least, Kept},
		{"less", s.to(100), least - 2, Broken},
		{"99", s.to(99), least / 4, NotSeen},
		{"a long address", long, least / 4, NotSeen},
		{"111", s.to(111), least / 4, Broken},
		{"113, what can be no packet of service mode", functions, least / 4, Broken},
		{"service mode", verify, least / 4, NotSeen},
		{"service mode, too late", verify, least + 2, Kept},
	} {
		signal := two(t, reset, c.packet, c.gap)
		if got := signal.result().Rules[BehindReset]; got.Verdict != c.want || c.want != NotSeen && got.Least != float64(c.gap)/1e6 {
			t.Errorf("%s: %+v, want %v", c.name, got, c.want)
		}
	}

	s.quiet(us(2000))
	for _, c := range []struct {
		nmra.Packet
		gap time.Duration // before it
	}{
		{s.to(100), us(5000)},
		{reset, us(5000)}, {s.to(100), us(5000)}, {s.to(3), us(2000)}, {s.to(101), us(2000)}, {s.to(102), least},
		{reset, us(2000)}, {s.to(103), least},
	} {
		s.quiet(c.gap)
		s.bare(c.Packet)
	}
	s.ones(2)
	if got := s.result().Rules[BehindReset]; got.Seen != 3 || got.Outside != 2 {
		t.Errorf("%+v, want those to 100 and 101 behind the first reset outside, that to 102 not held against it, and that to 103 to be kept", got)
	}
}

func TestServiceModeAsItIsSentKeepsEveryRule(t *testing.T) {
	var accesses []nmra.Access
	for _, mode := range nmra.Modes {
		for _, operation := range []nmra.Operation{nmra.Verify, nmra.Write, nmra.VerifyBit, nmra.WriteBit} {
			accesses = append(accesses, nmra.Access{Mode: mode, Operation: operation, CV: 1, Value: 3})
		}
	}
	for _, a := range accesses {
		sequence, err := a.Sequence()
		if err != nil {
			continue // the mode has no packet for it
		}
		asked := int64(0)
		for _, preamble := range []int{nmra.LongPreamble, nmra.LongPreamble - 1, nmra.LongPreamble - 2} {
			s := &track{TB: t}
			asked = 0
			for _, step := range slices.Concat(nmra.PowerOn(), sequence) {
				for range step.Times {
					s.send(step.Packet, wave.Sender{Preamble: preamble})
				}
				if step.Packet != reset {
					asked += int64(step.Times)
				}
			}
			s.ones(2)
			r := s.result()
			var want []RuleID
			if preamble+1 < nmra.LongPreamble { // with the end bit of the packet before
				want = []RuleID{PreambleService}
			}
			if got := broken(r); !slices.Equal(got, want) {
				t.Errorf("%v, %d ones: rules %v broken, want %v", a, preamble, got, want)
			}
			if got := r.Rules[PreambleService]; got.Least != float64(preamble+1) || got.Seen != r.Traffic.ServiceMode {
				t.Errorf("%v, %d ones: %+v", a, preamble, got)
			}
			var service, resets int64
			for _, k := range r.Traffic.Kinds {
				if k.Kind.Service() {
					service += k.Packets
				} else if k.Kind == nmra.DecoderReset {
					resets = k.Packets
				}
			}
			if service != asked || service+resets != r.Traffic.Packets || r.Traffic.ServiceMode < service {
				t.Errorf("%v: %d packets of service mode and %d resets, want %d of %d", a, service, resets, asked, r.Traffic.Packets)
			}
		}
	}
}

func TestServiceModeEndsWithAnyOtherPacketOrTwentyMillisecondsLater(t *testing.T) {
	s := &track{TB: t}
	verify := s.encode(nmra.Instruction{Kind: nmra.RegisterVerify, Register: 5, Value: 13}) // the same bytes as a packet to address 117
	const far, near = 20*time.Millisecond + 2, 5 * time.Millisecond
	type part struct {
		nmra.Packet
		gap time.Duration // before it
	}
	for _, c := range []struct {
		name  string
		parts []part
		want  int64 // packets in service mode
	}{
		{"behind a reset", []part{{reset, near}, {verify, near}, {verify, near}}, 2},
		{"without one", []part{{s.to(3), near}, {verify, near}}, 0},
		{"long behind one", []part{{reset, near}, {verify, far}}, 0},
		{"behind one, and 20 ms", []part{{reset, near}, {verify, far - 2}}, 1},
		{"with a packet between", []part{{reset, near}, {s.to(3), near}, {verify, near}}, 0},
		{"with a reset in it", []part{{reset, near}, {verify, near}, {reset, near}, {verify, near}}, 3},
		{"left by a packet", []part{{reset, near}, {verify, near}, {s.to(3), near}, {verify, near}}, 1},
		{"left by idle", []part{{reset, near}, {verify, near}, {s.bytes(0xFF, 0), near}, {verify, near}}, 1},
		{"left by time", []part{{reset, near}, {verify, near}, {verify, far}}, 1},
		{"held up by resets", []part{{reset, near}, {verify, near}, {reset, 15e6}, {verify, 15e6}}, 3},
		{"what it does not know", []part{{reset, near}, {s.bytes(0x70, 0, 0), near}}, 0},
	} {
		s := &track{TB: t}
		for _, p := range c.parts {
			s.quiet(p.gap)
			s.bare(p.Packet)
		}
		s.ones(2)
		if got := s.result().Traffic; got.ServiceMode != c.want || got.Packets != int64(len(c.parts)) {
			t.Errorf("%s: %d of %d packets in service mode, want %d", c.name, got.ServiceMode, got.Packets, c.want)
		}
	}
}

func TestPacketsAreCountedByKindAndByAddress(t *testing.T) {
	s := &track{TB: t}
	long := nmra.Address{Kind: nmra.Long, Number: nmra.MaxLong}
	basic := nmra.Address{Kind: nmra.BasicAccessory, Number: nmra.MaxBasicAccessory}
	extended := nmra.Address{Kind: nmra.ExtendedAccessory, Number: nmra.MaxExtendedAccessory}
	zero := nmra.Address{Kind: nmra.Long}
	idle := s.encode(nmra.Instruction{Kind: nmra.Idle})
	for _, p := range []nmra.Packet{
		s.to(127), s.to(1), s.to(127), idle, idle, idle, reset,
		s.encode(nmra.Instruction{Kind: nmra.Functions, Address: long}),
		s.encode(nmra.Instruction{Kind: nmra.Functions, Address: zero}),
		s.encode(nmra.Instruction{Kind: nmra.AccessoryOutput, Address: basic}),
		s.encode(nmra.Instruction{Kind: nmra.AccessoryAspect, Address: extended}),
		s.bytes(0xE9, 0), s.bytes(1, 0x20),
	} {
		s.send(p, wave.Sender{})
	}
	s.ones(2)
	got := s.result().Traffic
	want := Traffic{Length: s.length(), Halves: int64(len(s.halves)), Packets: 13, Idle: 3, Unreadable: 2,
		Kinds: []KindCount{{nmra.Idle, 3}, {nmra.DecoderReset, 1}, {nmra.Speed, 3}, {nmra.Functions, 2}, {nmra.AccessoryOutput, 1},
			{nmra.AccessoryAspect, 1}},
		Addresses: []AddressCount{{nmra.Address{}, 1}, {nmra.Address{Kind: nmra.Short, Number: 1}, 2}, {nmra.Address{Kind: nmra.Short, Number: 127}, 2},
			{zero, 1}, {long, 1}, {basic, 1}, {extended, 1}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if share := got.IdleShare(); share != 3.0/13 {
		t.Errorf("%v idle, want 3 of 13", share)
	}
	if none := (Traffic{}); none.IdleShare() != 0 || none.PerSecond() != 0 {
		t.Errorf("of nothing %v are idle, %v a second, want 0", none.IdleShare(), none.PerSecond())
	}
}

func TestEveryAddressHasAPlaceOfItsOwn(t *testing.T) {
	for place := range addressCount {
		if a := addressAt(place); !a.Valid() || placeOf(a) != place {
			if place != shortAt || a != (nmra.Address{}) {
				t.Fatalf("place %d is that of %v, which has place %d", place, a, placeOf(a))
			}
		}
	}
}

// goodStation draws a signal that keeps every rule: any timing that S-9.1 lets a station have, packets in any order that S-9.2 lets it send.
func goodStation(t *rapid.T, packets int) *track {
	s := &track{}
	lasts := map[nmra.Address]time.Duration{} // the ends of the packets that came last to each
	at, start, resetAt := time.Duration(0), time.Duration(0), -time.Hour
	add := func(first, second time.Duration) {
		s.halves = append(s.halves, first, second)
		at += first + second
	}
	one := func() {
		first := rapid.Int64Range(55_000, 61_000).Draw(t, "half")
		second := rapid.Int64Range(max(55_000, first-3000), min(61_000, first+3000)).Draw(t, "other half")
		add(time.Duration(first), time.Duration(second))
	}
	addresses := rapid.SampledFrom([]nmra.Address{{Kind: nmra.Short, Number: 3}, {Kind: nmra.Short, Number: 7}, {Kind: nmra.Short, Number: 100},
		{Kind: nmra.Short, Number: 115}, {Kind: nmra.Long, Number: 4203}, {}})
	for range packets {
		i := nmra.Instruction{Kind: nmra.EmergencyStop, Address: addresses.Draw(t, "address"), Steps: nmra.Steps28, Forward: true}
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0:
			i = nmra.Instruction{Kind: nmra.Idle}
		case 1:
			i = nmra.Reset()
		}
		p, err := i.Encode()
		if err != nil {
			t.Fatal(err)
		}
		ready := time.Duration(0)
		if end, ok := lasts[i.Address]; ok && i.Kind != nmra.Idle {
			ready = end + 5*time.Millisecond
		}
		if n := i.Address.Number; i.Address.Kind == nmra.Short && n >= 100 {
			ready = max(ready, resetAt+20*time.Millisecond+1)
		}
		for n := 0; n < 14 || at < ready; n++ {
			one()
		}
		if at-start > 30*time.Millisecond {
			t.Fatalf("the last packet began %v ago: the station of the test is too slow", at-start)
		}
		start = at
		room := int64(4_000_000) // for stretched zeros, so that there is a packet every 30 ms
		for bit := range p.Bits(0) {
			if bit {
				one()
				continue
			}
			first := rapid.Int64Range(95_000, 110_000).Draw(t, "zero")
			second := rapid.Int64Range(95_000, 110_000).Draw(t, "other zero")
			if rapid.IntRange(0, 20).Draw(t, "stretched") == 0 {
				second = rapid.Int64Range(95_000, max(95_000, room)).Draw(t, "stretch")
				room -= second
			}
			add(time.Duration(first), time.Duration(second))
		}
		if i.Kind != nmra.Idle {
			lasts[i.Address] = at
		}
		if p == reset {
			resetAt = at
		}
	}
	one()
	return s
}

func TestAGoodStationBreaksNoRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "packets")
		s := goodStation(t, n)
		r, found := s.measured(Meter{}, 1000)
		if got := broken(r); got != nil {
			rule := r.Rules[got[0]]
			t.Fatalf("rules %v broken: %+v", got, rule)
		}
		if len(found) != n || r.Traffic.Packets != int64(n) || r.Traffic.Faults != nil {
			t.Fatalf("%d packets found, faults %v, want %d", r.Traffic.Packets, r.Traffic.Faults, n)
		}
	})
}

func TestMeasuringAllocatesNothingAndHoldsNoMoreWithTime(t *testing.T) {
	var s track
	s.TB = t
	verify := s.encode(nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: 13})
	for _, fault := range append(wave.Faults(), wave.NoFault) {
		for address := 1; address <= 127; address++ {
			s.send(s.to(address), wave.Sender{Fault: fault})
		}
		s.send(reset, wave.Sender{Preamble: 20})
		s.send(verify, wave.Sender{Preamble: 20})
		s.send(s.to(100), wave.Sender{})
		s.halves = append(s.halves, 30*time.Millisecond)
	}
	var m Meter
	scan := func() {
		for rest := s.halves; len(rest) > 0; {
			n, _ := m.Scan(rest)
			rest = rest[n:]
		}
	}
	for range 2 * mostSilences / len(wave.Faults()) {
		scan() // until each thing has been met, and the list of silences is full
	}
	rounds := 10_000_000/len(s.halves) + 1
	if n := testing.AllocsPerRun(1, func() {
		for range rounds {
			scan()
		}
	}); n != 0 {
		t.Errorf("%v allocations in %d halves, want none", n, rounds*len(s.halves))
	}
}

func BenchmarkMeasuredEdges(b *testing.B) {
	s := track{TB: b}
	for n := range 200 {
		s.send(s.to(1+n%50), wave.Sender{})
	}
	var m Meter
	b.ReportAllocs()
	edges := 0
	for b.Loop() {
		for rest := s.halves; len(rest) > 0; {
			n, _ := m.Scan(rest)
			rest = rest[n:]
		}
		edges += len(s.halves)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
}
