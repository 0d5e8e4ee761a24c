package wave

import (
	"math"
	"slices"
	"testing"
	"time"

	"fettle/nmra"

	"pgregory.net/rapid"
)

func packet(t testing.TB, bytes ...byte) nmra.Packet {
	t.Helper()
	p, err := nmra.NewPacket(bytes...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestIdlePacketsAreBetweenTwoPacketsOfASignalAndNowhereElse(t *testing.T) {
	a, b, idle := packet(t, 1, 2, 3), packet(t, 4, 5, 1), packet(t, 0xFF, 0x00, 0xFF)
	fault, good := Sender{Fault: WrongCheck}, Sender{}
	type sent struct {
		Packet nmra.Packet
		Sender Sender
	}
	for _, c := range []struct {
		name   string
		signal Signal
		want   []sent
	}{
		{"nothing", Signal{Between: 3, Repeat: 3}, nil},
		{"one packet, once", Signal{Parts: []Part{{Packet: a}}, Between: 3}, []sent{{a, good}}},
		{"two, twice", Signal{Parts: []Part{{Packet: a}, {Packet: b}}, Repeat: 2}, []sent{{a, good}, {b, good}, {a, good}, {b, good}}},
		{"the fault is not in idle packets, nor in good ones",
			Signal{Sender: fault, Parts: []Part{{Packet: a, Times: 2}, {Packet: b, Good: true}}, Repeat: 2, Between: 1},
			[]sent{{a, fault}, {idle, good}, {a, fault}, {idle, good}, {b, good}, {idle, good}, {a, fault}, {idle, good}, {a, fault}, {idle, good}, {b, good}}},
	} {
		var got []sent
		for p, s := range c.signal.Packets() {
			got = append(got, sent{p, s})
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// signals are of packets without a fault.
func signals(t *rapid.T) Signal {
	return Signal{
		Sender: Sender{Preamble: rapid.IntRange(10, 30).Draw(t, "preamble"),
			Stretch: time.Duration(rapid.SampledFrom([]int{0, 95, 9900}).Draw(t, "stretch")) * time.Microsecond},
		Parts: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Part {
			return Part{Packet: packets().Draw(t, "packet"), Times: rapid.IntRange(0, 3).Draw(t, "times"), Good: rapid.Bool().Draw(t, "good")}
		}), 0, 4).Draw(t, "parts"),
		Repeat:  rapid.IntRange(0, 3).Draw(t, "repeat"),
		Between: rapid.IntRange(0, 3).Draw(t, "between"),
	}
}

func TestEveryPacketOfASignalIsFoundInItFromItsFirstCrossingOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := signals(t)
		var want []nmra.Packet
		for p := range s.Packets() {
			want = append(want, p)
		}
		halves := slices.Collect(s.Halves())
		for from := range 2 { // a reader of the signal has no crossing where it begins
			var got []nmra.Packet
			for n, f := range all(halves[from:]) {
				// The end bit of the packet before counts as a one of the preamble (NMRA S-9.2, July 2004, section A).
				if ones := s.Sender.Preamble + min(n, 1); f.Kind != PacketFound || f.Preamble != ones {
					t.Fatalf("found %+v, want packets behind %d ones", f, ones)
				}
				got = append(got, f.Packet)
			}
			if !slices.Equal(got, want) {
				t.Fatalf("%v, want %v", got, want)
			}
		}
	})
}

func TestTheAirtimeIsThatOfThePackets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := signals(t)
		s.Sender.Fault = rapid.SampledFrom(append(Faults(), NoFault)).Draw(t, "fault")
		var want time.Duration
		for p, sender := range s.Packets() {
			want += length(sender.Append(nil, p))
		}
		if got := s.Airtime(); got != want {
			t.Fatalf("%v, want %v", got, want)
		}
	})
	endless := Signal{Parts: []Part{{Packet: packet(t, 1, 2, 3), Times: math.MaxInt}}, Repeat: math.MaxInt, Between: math.MaxInt}
	if got := endless.Airtime(); got != math.MaxInt64 {
		t.Errorf("%v, want the longest time that there is", got)
	}
}

func TestTheFaultOfASignalIsFoundInItBetweenTwoIdlePackets(t *testing.T) {
	for _, fault := range Faults() {
		t.Run(fault.String(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				s := Signal{
					Sender: Sender{Fault: fault, Preamble: rapid.IntRange(10, 30).Draw(t, "preamble"),
						Stretch: time.Duration(rapid.SampledFrom([]int{0, 95, 1900}).Draw(t, "stretch")) * time.Microsecond},
					Parts:   []Part{{Packet: packets().Draw(t, "packet")}},
					Repeat:  rapid.IntRange(1, 3).Draw(t, "repeat"),
					Between: rapid.IntRange(1, 2).Draw(t, "between"),
				}
				var got []Finding
				idles := 0
				for _, f := range all(slices.Collect(s.Halves())[1:]) {
					if f.Kind == PacketFound && f.Packet == idle {
						idles++
						continue
					}
					got = append(got, f)
				}
				if want := 2 + (s.Repeat-1)*s.Between; idles != want {
					t.Fatalf("%d idle packets, want %d; and %+v", idles, want, got)
				}
				if len(got) != s.Repeat || slices.ContainsFunc(got, func(f Finding) bool { return f.Fault != fault }) {
					t.Fatalf("found %+v, want a %v, %d times", got, fault, s.Repeat)
				}
			})
		})
	}
}

func TestASignalEndsWhereItsReaderDoes(t *testing.T) {
	s := Signal{Sender: Sender{Fault: WrongCheck}, Parts: []Part{{Packet: published(t), Times: 2}}, Repeat: 2, Between: 1}
	whole := len(slices.Collect(s.Halves()))
	for n := range whole {
		count := 0
		for range s.Halves() {
			if count++; count > n {
				break
			}
		}
		if count != n+1 {
			t.Errorf("%d halves, want %d", count, n+1)
		}
	}
}
