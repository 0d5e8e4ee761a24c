package conform

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// withBit is a packet between ones, the first one or the first zero of its address with these halves; at is where the bit begins.
func withBit(tb testing.TB, one bool, first, second time.Duration) (t *track, at time.Duration) {
	t = &track{TB: tb}
	t.send(t.bytes(0x37, 0x74), wave.Sender{Preamble: 20}) // 0 00110111: the second bit behind the start bit is a zero, the third a one
	bit := 2 * (20 + 2)
	if one {
		bit += 2
	}
	for _, half := range t.halves[:bit] {
		at += half
	}
	t.halves[bit], t.halves[bit+1] = first, second
	t.ones(4)
	t.send(t.to(3), wave.Sender{})
	t.ones(4)
	return t, at
}

func TestLimitsOfTimesHoldToTheirVeryEdges(t *testing.T) {
	// NMRA S-9.1 (2020), the times of halves and bits.
	for _, c := range []struct {
		rule          RuleID
		one           bool
		first, second float64 // µs
		at            float64 // from the beginning of the bit to what is outside
		want          Verdict
	}{
		{OneSent, true, 55, 55, 0, Kept},
		{OneSent, true, 54.9, 55, 0, Broken},
		{OneSent, true, 61, 61, 0, Kept},
		{OneSent, true, 61, 61.1, 61, Broken},
		{OneAccepted, true, 52, 52, 0, Kept},
		{OneAccepted, true, 52, 51.9, 52, Broken},
		{OneAccepted, true, 64, 64, 0, Kept},
		{OneAccepted, true, 64.1, 64, 0, Broken},
		{DifferenceSent, true, 58, 61, 0, Kept},
		{DifferenceSent, true, 57.9, 61, 0, Broken},
		{DifferenceSent, true, 61, 57.9, 0, Broken},
		{DifferenceAccepted, true, 55, 61, 0, Kept},
		{DifferenceAccepted, true, 54.9, 61, 0, Broken},
		{DifferenceAccepted, true, 61, 54.9, 0, Broken},
		{ZeroSent, false, 95, 95, 0, Kept},
		{ZeroSent, false, 95, 94.9, 95, Broken},
		{ZeroSent, false, 9900, 100, 0, Kept},
		{ZeroSent, false, 100, 9900.1, 100, Broken},
		{ZeroAccepted, false, 90, 90, 0, Kept},
		{ZeroAccepted, false, 89.9, 90, 0, Broken},
		{ZeroAccepted, false, 10000, 100, 0, Kept},
		{ZeroAccepted, false, 10000.1, 100, 0, Broken},
		{WholeZero, false, 6000, 6000, 0, Kept},
		{WholeZero, false, 6000, 6000.1, 0, Broken},
	} {
		signal, at := withBit(t, c.one, us(c.first), us(c.second))
		got := signal.result().Rules[c.rule]
		if got.Verdict != c.want {
			t.Errorf("%s, %v and %v µs: %v, want %v", got.Name, c.first, c.second, got.Verdict, c.want)
		}
		if c.want == Broken && (got.Outside != 1 || got.First != at+us(c.at)) {
			t.Errorf("%s, %v and %v µs: %d outside, first at %v, want 1 at %v", got.Name, c.first, c.second, got.Outside, got.First, at+us(c.at))
		}
	}
}

func TestAHalfThatIsNeitherBelongsToTheKindThatItIsNearerTo(t *testing.T) {
	for _, c := range []struct {
		half time.Duration
		want RuleID
	}{{us(64.1), OneAccepted}, {us(77), OneAccepted}, {us(77) + 1, ZeroAccepted}, {us(89.9), ZeroAccepted}} {
		s := &track{TB: t}
		s.halves = append(s.halves, c.half)
		r := s.result()
		for _, id := range []RuleID{OneAccepted, ZeroAccepted} {
			want := NotSeen
			if id == c.want {
				want = Broken
			}
			if got := r.Rules[id].Verdict; got != want {
				t.Errorf("%v: %s %v, want %v", c.half, r.Rules[id].Name, got, want)
			}
		}
	}
}

func TestHalvesAreOnlyHeldAgainstThoseOfTheSameBit(t *testing.T) {
	s := &track{TB: t}
	uneven := []time.Duration{us(56.5), us(59)}
	s.halves = append(s.halves, us(55)) // the second half of a one whose first was not captured
	for range 20 {
		s.halves = append(s.halves, uneven...)
	}
	s.bare(s.to(3))
	for range 20 {
		s.halves = append(s.halves, uneven...)
	}
	s.bare(s.to(4))
	s.ones(2)
	got := s.result().Rules[DifferenceSent]
	ones := int64(0) // behind the first change
	for bit := range s.to(3).Bits(0) {
		if bit {
			ones++
		}
	}
	for bit := range s.to(4).Bits(20 + 2) {
		if bit {
			ones++
		}
	}
	if got.Verdict != Kept || got.Most != 2.5 || got.Seen != ones {
		t.Errorf("%+v, want 2.5 µs at the most in %d ones", got, ones)
	}
}

func TestWhatIsSeenIsTheLeastTheMedianAndTheMost(t *testing.T) {
	s := &track{TB: t}
	s.send(s.to(3), wave.Sender{Preamble: 40})
	s.ones(5)
	s.halves[2], s.halves[3] = us(56.5), us(59)
	s.halves[11] = us(60.25)
	r := s.result()
	if got := r.Rules[OneSent]; got.Least != 56.5 || got.Median != 58 || got.Most != 60.25 || got.Unit != Microseconds {
		t.Errorf("%+v", got)
	}
	if got := r.Rules[ZeroSent]; got.Least != 100 || got.Median != 100 || got.Most != 100 || got.Limits != (Limits{95, 9900}) {
		t.Errorf("%+v", got)
	}
	if got := r.Rules[WholeZero]; got.Median != 200 || got.Limits != (Limits{0, 12000}) {
		t.Errorf("%+v", got)
	}
	if ones, zeros := r.Rules[OneSent].Seen, r.Rules[ZeroSent].Seen; ones+zeros != int64(len(s.halves)) {
		t.Errorf("%d halves of ones and %d of zeros, want %d in all", ones, zeros, len(s.halves))
	}
	want := []Bucket{{us(56.5), us(56.51), 1}, {us(58), us(58.01), r.Rules[OneSent].Seen - 3}, {us(59), us(59.01), 1}, {us(60.25), us(60.26), 1}}
	if diff := cmp.Diff(want, r.Ones); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestThePublishedPacketKeepsEveryRuleThatItIsSeenBy(t *testing.T) {
	s := &track{TB: t}
	s.ones(2)
	// NMRA S-9.2 (July 2004), section A, the figure of a transmitted packet: address 55, forward, step 6 of 28.
	for _, bit := range "111111111111" + "0" + "00110111" + "0" + "01110100" + "0" + "01000011" + "1" {
		if bit == '1' {
			s.halves = append(s.halves, nmra.HalfOne, nmra.HalfOne)
		} else {
			s.halves = append(s.halves, nmra.HalfZero, nmra.HalfZero)
		}
	}
	s.ones(2)
	r := s.result()
	for id, rule := range r.Rules {
		want := Kept
		switch RuleID(id) {
		case PreambleSent, PreambleAccepted, PreambleService, Apart, Often, BehindReset:
			want = NotSeen // the preamble may have begun before
		}
		if rule.Verdict != want {
			t.Errorf("%s: %v, want %v", rule.Name, rule.Verdict, want)
		}
	}
	want := Traffic{Length: s.length(), Halves: int64(len(s.halves)), Packets: 1, Kinds: []KindCount{{nmra.Speed, 1}},
		Addresses: []AddressCount{{nmra.Address{Kind: nmra.Short, Number: 55}, 1}}}
	if diff := cmp.Diff(want, r.Traffic); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestEachFaultBreaksItsOwnRulesAndNoOther(t *testing.T) {
	const zero, one = 1, 8 // halves of the packet: of its start bit, and of a one of its first byte
	for _, c := range []struct {
		fault wave.Fault
		at    int
		want  []RuleID
	}{
		{wave.LongHalf, one, []RuleID{OneSent, OneAccepted}},
		{wave.LongHalf, zero, []RuleID{ZeroSent, ZeroAccepted}},
		{wave.ShortHalf, one, []RuleID{OneSent, OneAccepted}},
		{wave.ShortHalf, zero, []RuleID{ZeroSent, ZeroAccepted}},
		{wave.UnevenOne, one, []RuleID{OneSent, DifferenceSent, DifferenceAccepted}}, // 53 and 63 µs
		{wave.LongZero, zero, []RuleID{WholeZero}},
		{wave.ShortPreamble, 0, []RuleID{PreambleSent, PreambleAccepted}},
		{wave.WrongCheck, 0, []RuleID{CheckByte}},
		{wave.MissingEnd, 0, []RuleID{EndBit}},
		{wave.CutShort, 0, []RuleID{Whole}},
		{wave.CutShort, 27, []RuleID{Whole}},
	} {
		s := &track{TB: t}
		s.send(s.to(3), wave.Sender{Preamble: 20})
		start := s.length()
		s.send(s.bytes(0x37, 0x74), wave.Sender{Fault: c.fault, At: c.at})
		end := s.length()
		s.send(s.to(5), wave.Sender{})
		s.send(s.to(6), wave.Sender{})
		s.ones(2)
		r := s.result()
		if got := broken(r); !slices.Equal(got, c.want) {
			t.Errorf("%v at %d: rules %v broken, want %v", c.fault, c.at, got, c.want)
		}
		for _, id := range c.want {
			if rule := r.Rules[id]; rule.First < start || rule.First > end || rule.Outside == 0 {
				t.Errorf("%v: %s: first of %d at %v, want it from %v to %v", c.fault, rule.Name, rule.Outside, rule.First, start, end)
			}
		}
		var seen []int64
		for _, id := range []RuleID{CheckByte, EndBit, Whole} {
			seen = append(seen, r.Rules[id].Seen)
		}
		want := []int64{3, 3, 3}
		switch c.fault {
		case wave.WrongCheck:
			want = []int64{4, 4, 4}
		case wave.MissingEnd:
			want = []int64{3, 4, 4}
		case wave.CutShort:
			want = []int64{3, 3, 4}
		}
		if !slices.Equal(seen, want) {
			t.Errorf("%v: %v check bytes, end bits and whole packets seen, want %v", c.fault, seen, want)
		}
		if want := []FaultCount{{c.fault, 1}}; !slices.Equal(r.Traffic.Faults, want) {
			t.Errorf("%v at %d: faults %v, want %v", c.fault, c.at, r.Traffic.Faults, want)
		}
	}
	for _, f := range wave.Faults() {
		s := &track{TB: t}
		for range 20 {
			s.send(s.to(3), wave.Sender{Preamble: nmra.ApartPreamble})
			s.send(s.to(5), wave.Sender{Preamble: nmra.ApartPreamble, Fault: f})
		}
		s.send(s.to(3), wave.Sender{Preamble: nmra.ApartPreamble})
		s.ones(2)
		if got, want := s.result().Traffic.Faults, []FaultCount{{f, 20}}; !slices.Equal(got, want) {
			t.Errorf("%v, 20 times: %v", f, got)
		}
	}
}

func TestSevenBytesAreTooMany(t *testing.T) {
	s := &track{TB: t}
	s.send(s.to(3), wave.Sender{Preamble: 20})
	start := s.length() + 14*2*nmra.HalfOne
	six := s.bytes(1, 2, 3, 4, 6)
	s.send(six, wave.Sender{})
	s.halves[len(s.halves)-2], s.halves[len(s.halves)-1] = nmra.HalfZero, nmra.HalfZero // one more start bit, in place of the end bit
	s.halves[len(s.halves)-4], s.halves[len(s.halves)-3] = nmra.HalfOne, nmra.HalfOne   // and the check of six is wrong
	s.send(s.to(4), wave.Sender{})
	s.ones(2)
	r := s.result()
	if got, want := broken(r), []RuleID{PacketBytes}; !slices.Equal(got, want) {
		t.Errorf("rules %v broken, want %v", got, want)
	}
	if got := r.Rules[PacketBytes]; got.Most != 7 || got.Outside != 1 || got.First != start {
		t.Errorf("%+v, want 7 bytes at %v", got, start)
	}
}

func TestAPreambleCountsFromThePacketBeforeIt(t *testing.T) {
	// NMRA S-9.2 (July 2004), section A: at least 14 ones, the end bit of the packet before may be one of them; a decoder may not ask for more than 12.
	for _, c := range []struct {
		preamble       int // without that end bit
		sent, accepted Verdict
		seen           float64
	}{
		{13, Kept, Kept, 14},
		{12, Broken, Kept, 13},
		{9, Broken, Kept, 10},
		{8, Broken, Broken, 9},
	} {
		s := &track{TB: t}
		s.send(s.to(3), wave.Sender{Preamble: 11}) // where the signal begins, it may have begun before
		start := s.length()
		s.send(s.to(4), wave.Sender{Preamble: c.preamble})
		s.ones(2)
		r := s.result()
		if sent, accepted := r.Rules[PreambleSent], r.Rules[PreambleAccepted]; sent.Verdict != c.sent || accepted.Verdict != c.accepted ||
			sent.Seen != 1 || sent.Least != c.seen {
			t.Errorf("%d ones: %+v, %+v", c.preamble, sent, accepted)
		} else if first := start + time.Duration(c.preamble)*2*nmra.HalfOne; c.sent == Broken && sent.First != first {
			t.Errorf("%d ones: first at %v, want the start bit at %v", c.preamble, sent.First, first)
		}
	}
	for _, f := range []wave.Fault{wave.LongHalf, wave.WrongCheck, wave.CutShort} {
		s := &track{TB: t}
		s.send(s.to(3), wave.Sender{})
		s.send(s.to(4), wave.Sender{Fault: f})
		s.send(s.to(5), wave.Sender{Preamble: 13})
		s.ones(2)
		if got := s.result().Rules[PreambleSent]; got.Seen != 0 {
			t.Errorf("behind a %v %d preambles were measured, want none: nobody knows where it begins", f, got.Seen)
		}
	}
}

func TestTheSignalGoesOnBehindAnEndBit(t *testing.T) {
	// NMRA S-9.2 (July 2004), section A: at least 26 µs.
	for _, c := range []struct {
		half time.Duration
		want Verdict
	}{{us(26), Kept}, {us(25.9), Broken}, {us(58), Kept}} {
		s := &track{TB: t}
		s.send(s.to(3), wave.Sender{})
		end := s.length()
		s.halves = append(s.halves, c.half)
		s.ones(2)
		if got := s.result().Rules[BehindEnd]; got.Verdict != c.want || got.Least != float64(c.half)/1000 || c.want == Broken && got.First != end {
			t.Errorf("%v: %+v, want %v", c.half, got, c.want)
		}
	}
	s := &track{TB: t}
	s.send(s.to(3), wave.Sender{})
	s.halves = append(s.halves, time.Second)
	s.ones(2)
	if got := s.result().Rules[BehindEnd]; got.Verdict != NotSeen {
		t.Errorf("a second of silence behind a packet: %+v, want it not seen", got)
	}
}

func TestWhatIsOutsideByLessThanTheStepIsUnclear(t *testing.T) {
	for _, c := range []struct {
		rule          RuleID
		first, second float64
		step          float64
		want          Verdict
	}{
		{OneSent, 54.9, 55, 0.1, Broken},
		{OneSent, 54.9, 55, 0.2, Unclear},
		{OneSent, 62, 61, 2, Unclear},
		{OneSent, 55, 55, 2, Kept},
		{DifferenceSent, 57, 61, 0.5, Broken}, // 1 µs outside: each of three crossings is off by up to half a step, the one between twice
		{DifferenceSent, 57, 61, 0.6, Unclear},
	} {
		s, at := withBit(t, true, us(c.first), us(c.second))
		r, _ := s.measured(Meter{Start: time.Hour, Step: us(c.step)}, len(s.halves))
		got := r.Rules[c.rule]
		if got.Verdict != c.want {
			t.Errorf("%s, %v and %v µs in steps of %v: %v, want %v", got.Name, c.first, c.second, c.step, got.Verdict, c.want)
		}
		if c.want != Kept && (got.First != time.Hour+at || got.Outside+got.Unsure != 1) {
			t.Errorf("%s, %v and %v µs: %d and %d, first at %v, want 1 at %v", got.Name, c.first, c.second, got.Outside, got.Unsure, got.First, time.Hour+at)
		}
	}
}

func TestAMeterFindsWhatAScannerFindsOnItsOwnClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySignal(t)
		var scanner wave.Scanner
		var want []wave.Finding
		start := time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "start"))
		add := func(f wave.Finding) {
			if f.Kind != wave.NothingFound {
				f.Start, f.End = f.Start+start, f.End+start
				want = append(want, f)
			}
		}
		for rest := s.halves; len(rest) > 0; {
			n, f := scanner.Scan(rest)
			add(f)
			rest = rest[n:]
		}
		add(scanner.End())

		whole, found := s.measured(Meter{Start: start}, len(s.halves)+1)
		if !slices.Equal(found, want) {
			t.Fatalf("found %+v, want %+v", found, want)
		}
		parts, found := s.measured(Meter{Start: start}, rapid.IntRange(1, 100).Draw(t, "batch"))
		if diff := cmp.Diff(whole, parts); diff != "" || !slices.Equal(found, want) {
			t.Fatalf("in batches it is another (-whole +parts):\n%s", diff)
		}
	})
}

// anySignal is packets with and without faults, silences and noise.
func anySignal(t *rapid.T) *track {
	s := &track{}
	for range rapid.IntRange(0, 12).Draw(t, "parts") {
		p, err := nmra.NewPacket(rapid.SliceOfN(rapid.Byte(), 3, 6).Draw(t, "bytes")...)
		if err != nil {
			t.Fatal(err)
		}
		switch rapid.IntRange(0, 3).Draw(t, "part") {
		case 0:
			s.halves = append(s.halves, time.Duration(rapid.Int64Range(1, 1e9).Draw(t, "noise")))
		case 1:
			s.send(reset, wave.Sender{})
		case 2:
			fault := rapid.SampledFrom(append(wave.Faults(), wave.NoFault)).Draw(t, "fault")
			s.send(p, wave.Sender{Fault: fault, At: rapid.IntRange(0, 100).Draw(t, "at")})
		default:
			bytes := p.Append(nil)
			bytes[len(bytes)-1] = 0
			for _, b := range bytes[:len(bytes)-1] {
				bytes[len(bytes)-1] ^= b
			}
			sound, err := nmra.NewPacket(bytes...)
			if err != nil {
				t.Fatal(err)
			}
			s.send(sound, wave.Sender{})
		}
	}
	return s
}
