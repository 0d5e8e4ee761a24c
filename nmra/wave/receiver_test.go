package wave

import (
	"flag"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"fettle/nmra"

	"pgregory.net/rapid"
)

// A hundred draws, as rapid has it, are few here. -rapid.checks still decides.
func init() {
	if err := flag.Set("rapid.checks", "1000"); err != nil {
		panic(err)
	}
}

// heard is what a receiver told of a stream of bits, written as ones and zeros; spaces are for the reader.
func heard(r *Receiver, stream string) []string {
	var all []string
	for _, c := range strings.ReplaceAll(stream, " ", "") {
		switch e := r.Bit(c == '1'); e {
		case Nothing:
		case Complete, BadCheck:
			all = append(all, fmt.Sprintf("%v: %v behind %d", e, r.Packet(), r.Lead()))
		default:
			all = append(all, fmt.Sprintf("%v behind %d", e, r.Lead()))
			if p := r.Packet(); p != (nmra.Packet{}) {
				all = append(all, fmt.Sprintf("and yet %v", p))
			}
		}
	}
	return all
}

// reference reads the same stream by places in its text.
func reference(stream string, need int) []string {
	var all []string
	ones := 0
	for i := 0; i < len(stream); i++ {
		if stream[i] == '1' {
			ones++
			continue
		}
		lead := ones
		ones = 0
		if lead < need {
			continue
		}
		var packet []byte
		for len(packet) < 6 && i+9 < len(stream) && stream[i] == '0' {
			b, err := strconv.ParseUint(stream[i+1:i+9], 2, 8)
			if err != nil {
				panic(err)
			}
			packet = append(packet, byte(b))
			i += 9
		}
		var check byte
		for _, b := range packet {
			check ^= b
		}
		ones = 1
		switch {
		case stream[i] == '0' && len(packet) < 6: // the stream ends in the middle of it
			return all
		case stream[i] == '0':
			all = append(all, fmt.Sprintf("too long for a packet behind %d", lead))
			ones = 0
		case len(packet) < 3:
			all = append(all, fmt.Sprintf("too short for a packet behind %d", lead))
			ones = i - strings.LastIndex(stream[:i], "0")
		case check != 0:
			all = append(all, fmt.Sprintf("packet with a wrong check byte: % X behind %d", packet, lead))
			ones = i - strings.LastIndex(stream[:i], "0")
		default:
			all = append(all, fmt.Sprintf("complete packet: % X behind %d", packet, lead))
		}
	}
	return all
}

func TestReceiverFindsWhatThePublishedRulesCallAPacket(t *testing.T) {
	const p = " 0 00110111 0 01110100 0 01000011 1"
	ones := func(n int) string { return strings.Repeat("1", n) }
	for _, c := range []struct {
		rule   string
		need   int
		stream string
		want   []string
	}{
		// NMRA S-9.2 (July 2004), the figure of a transmitted packet.
		{"the published packet", 0, "111111111111" + p, []string{"complete packet: 37 74 43 behind 12"}},
		// NMRA S-9.2 (July 2004), section A: fewer than 10 ones are no preamble, and more than 12 must not be needed.
		{"nine ones are none", 0, ones(9) + p, nil},
		{"ten are enough", 0, ones(10) + p, []string{"complete packet: 37 74 43 behind 10"}},
		{"eleven are not twelve", 12, ones(11) + p, nil},
		{"twelve are", 12, ones(12) + p, []string{"complete packet: 37 74 43 behind 12"}},
		{"a longer preamble is one too", 0, ones(200) + p, []string{"complete packet: 37 74 43 behind 200"}},
		// NMRA S-9.2 (July 2004), section A: the end bit may be the first one of the next preamble.
		{"the end bit counts", 0, ones(10) + p + ones(9) + p,
			[]string{"complete packet: 37 74 43 behind 10", "complete packet: 37 74 43 behind 10"}},
		{"but only as one", 0, ones(10) + p + ones(8) + p, []string{"complete packet: 37 74 43 behind 10"}},
		// NMRA S-9.2 (July 2004), section A: the last byte is the exclusive OR of all before it.
		{"a wrong check byte is told", 0, ones(14) + " 0 00110111 0 01110100 0 01000010 1",
			[]string{"packet with a wrong check byte: 37 74 42 behind 14"}},
		{"what broke off may have done so in the preamble of the next", 0, ones(14) + " 0 00110111 0 01110100 0 01" + ones(14) + p,
			[]string{"packet with a wrong check byte: 37 74 7F behind 14", "complete packet: 37 74 43 behind 15"}},
		// NMRA S-9.2.1 (July 2012): three to six bytes.
		{"one byte is too short", 0, ones(14) + " 0 00000000 1" + ones(9) + p,
			[]string{"too short for a packet behind 14", "complete packet: 37 74 43 behind 10"}},
		{"two are", 0, ones(14) + " 0 00000000 0 00000000 1", []string{"too short for a packet behind 14"}},
		{"six are not too long", 0, ones(14) + strings.Repeat(" 0 00000000", 6) + " 1", []string{"complete packet: 00 00 00 00 00 00 behind 14"}},
		{"seven are, and what follows waits for a preamble", 0, ones(14) + strings.Repeat(" 0 00000000", 9) + " 1" + ones(8) + p + ones(9) + p,
			[]string{"too long for a packet behind 14", "complete packet: 37 74 43 behind 12"}}, // the ones that end 43 run on into it
		{"a zero in the preamble starts it anew", 0, ones(9) + "0" + ones(9) + p, nil},
	} {
		if got := heard(&Receiver{Preamble: c.need}, c.stream); !slices.Equal(got, c.want) {
			t.Errorf("%s: heard %q, want %q", c.rule, got, c.want)
		}
	}
}

func packets() *rapid.Generator[nmra.Packet] {
	return rapid.Custom(func(t *rapid.T) nmra.Packet {
		b := rapid.SliceOfN(rapid.Byte(), nmra.MinBytes-1, nmra.MaxBytes-1).Draw(t, "bytes")
		var check byte
		for _, x := range b {
			check ^= x
		}
		p, err := nmra.NewPacket(append(b, check)...)
		if err != nil {
			t.Fatal(err)
		}
		return p
	})
}

func TestEveryPacketIsReceivedInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Receiver{Preamble: rapid.IntRange(10, 12).Draw(t, "preamble needed")}
		end := 0
		for range rapid.IntRange(1, 10).Draw(t, "packets") {
			p, preamble := packets().Draw(t, "packet"), rapid.IntRange(12, 40).Draw(t, "preamble")
			left := preamble + 9*p.Len() + 1
			for one := range p.Bits(preamble) {
				left--
				switch e := r.Bit(one); {
				case (e == Complete) != (left == 0), e != Complete && e != Nothing:
					t.Fatalf("%v: %v with %d bits to come", p, e, left)
				}
			}
			if r.Packet() != p || r.Lead() != end+preamble {
				t.Fatalf("received %v behind %d, want %v behind %d", r.Packet(), r.Lead(), p, end+preamble)
			}
			end = 1
		}
	})
}

func TestOneIdlePacketAfterAnyGarbageBringsAReceiverBack(t *testing.T) {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		r := Receiver{Preamble: rapid.IntRange(0, 12).Filter(func(n int) bool { return n == 0 || n >= 10 }).Draw(t, "preamble needed")}
		if rapid.Bool().Draw(t, "in the middle of a packet") {
			for range 14 {
				r.Bit(true)
			}
			r.Bit(false)
		}
		for _, one := range rapid.SliceOf(rapid.Bool()).Draw(t, "garbage") {
			r.Bit(one)
		}
		for one := range idle.Bits(nmra.Preamble) {
			r.Bit(one)
		}
		p := packets().Draw(t, "packet")
		last := Nothing
		for one := range p.Bits(nmra.Preamble) {
			last = r.Bit(one)
		}
		if last != Complete || r.Packet() != p {
			t.Fatalf("%v and %v, want %v", last, r.Packet(), p)
		}
	})
}

func TestReceiverAgreesWithAReadingOfTheText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s strings.Builder
		for range rapid.IntRange(1, 6).Draw(t, "parts") {
			s.WriteString(strings.Repeat("1", rapid.IntRange(0, 15).Draw(t, "ones")))
			for range rapid.IntRange(0, 8).Draw(t, "bytes") {
				fmt.Fprintf(&s, "0%08b", rapid.SampledFrom([]byte{0, 0xFF, 0x37, 0x80, 0x01}).Draw(t, "byte"))
			}
			for range rapid.IntRange(0, 3).Draw(t, "zeros") {
				s.WriteByte('0')
			}
		}
		if got, want := heard(&Receiver{}, s.String()), reference(s.String(), 10); !slices.Equal(got, want) {
			t.Fatalf("%s: heard %q, want %q", s.String(), got, want)
		}
	})
}

func FuzzReceiver(f *testing.F) {
	f.Add(uint8(0), []byte{0xFF, 0xFC, 0x6E, 0x74, 0x43, 0xFF})
	f.Add(uint8(12), []byte{0xFF, 0xF0, 0, 0, 0, 0, 0, 0, 0, 0xFF})
	f.Fuzz(func(t *testing.T, preamble uint8, stream []byte) {
		var text []byte
		for _, b := range stream {
			for k := 7; k >= 0; k-- {
				text = append(text, '0'+b>>k&1)
			}
		}
		need := int(preamble)
		if need == 0 {
			need = 10
		}
		got, want := heard(&Receiver{Preamble: int(preamble)}, string(text)), reference(string(text), need)
		if !slices.Equal(got, want) {
			t.Fatalf("%s: heard %q, want %q", text, got, want)
		}
	})
}

// traffic is ten thousand bits and more of packets of every length.
func traffic() []bool {
	var stream []bool
	for n := 0; len(stream) < 10_000; n++ {
		var b []byte
		var check byte
		for k := range 2 + n%4 {
			b = append(b, byte(n*37+k*11))
			check ^= b[k]
		}
		p, err := nmra.NewPacket(append(b, check)...)
		if err != nil {
			panic(err)
		}
		for one := range p.Bits(nmra.Preamble) {
			stream = append(stream, one)
		}
	}
	return stream
}

var sink nmra.Packet

// take gives the stream to a receiver and counts the packets.
func take(r *Receiver, stream []bool) (complete int) {
	for _, one := range stream {
		if r.Bit(one) == Complete {
			sink = r.Packet()
			complete++
		}
	}
	return complete
}

func TestReceiverDoesNotAllocate(t *testing.T) {
	stream := traffic()
	var r Receiver
	if n := testing.AllocsPerRun(10, func() { take(&r, stream) }); n != 0 {
		t.Errorf("%v allocations for %d bits, want 0", n, len(stream))
	}
	if take(&r, stream) == 0 {
		t.Error("no packet was received")
	}
}

// An operation is a bit.
func BenchmarkReceiver(b *testing.B) {
	stream := traffic()
	var r Receiver
	b.ReportAllocs()
	for done := 0; done < b.N; done += len(stream) {
		take(&r, stream[:min(len(stream), b.N-done)])
	}
}

// An operation is a bit, from a packet to a receiver.
func BenchmarkSendAndReceive(b *testing.B) {
	p, err := nmra.Instruction{Kind: nmra.DirectVerify, CV: 8, Value: 13}.Encode()
	if err != nil {
		b.Fatal(err)
	}
	var r Receiver
	b.ReportAllocs()
	for done := 0; done < b.N; {
		for one := range p.Bits(nmra.LongPreamble) {
			if r.Bit(one) == Complete {
				sink = r.Packet()
			}
			done++
		}
	}
}

func TestNoPacketIsCompleteBeforeTheBitsThatAreAhead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Receiver{Preamble: rapid.IntRange(0, 14).Draw(t, "preamble")}
		// Packets, so that some are complete, with bits between that are none's.
		var stream []bool
		for range rapid.IntRange(1, 4).Draw(t, "parts") {
			stream = append(stream, rapid.SliceOfN(rapid.Bool(), 0, 40).Draw(t, "bits")...)
			a, b := rapid.Byte().Draw(t, "a"), rapid.Byte().Draw(t, "b")
			p, err := nmra.NewPacket(a, b, a^b)
			if err != nil {
				t.Fatal(err)
			}
			stream = slices.AppendSeq(stream, p.Bits(rapid.IntRange(10, 20).Draw(t, "ones")))
		}
		earliest := 0 // no packet before so many bits of the stream
		for n, one := range stream {
			earliest = max(earliest, n+r.Ahead())
			if r.Bit(one) == Complete && n+1 < earliest {
				t.Fatalf("a packet after %d bits, and %d were ahead", n+1, earliest)
			}
		}
	})
}

func TestTheShortestPacketTakesTheBitsThatAreAhead(t *testing.T) {
	var r Receiver
	bits := slices.Collect(published(t).Bits(10))
	for n, one := range bits {
		if got, want := r.Ahead(), len(bits)-n; got != want {
			t.Fatalf("after %d bits %d are ahead, want %d", n, got, want)
		}
		r.Bit(one)
	}
}
