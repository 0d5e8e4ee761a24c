package bench

import (
	"context"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
)

func at(n nmra.CV) cv.Register { return cv.Register{CV: n} }

// plain is a decoder without quirks.
func plain() Spec {
	return Spec{
		Title: "Harbour tram 3",
		Modes: nmra.Modes[:],
		Registers: cv.Values{at(1): 3, at(2): 10, at(3): 12, at(4): 9, at(7): 21, at(8): 13, at(17): 192, at(18): 128, at(19): 0,
			at(23): 0, at(24): 0, at(29): 6, at(65): 20, at(1021): 77},
		Ack:         Ack{Current: 80, Time: 6 * time.Millisecond},
		Rest:        Rest{Current: 8},
		WriteTime:   4 * time.Millisecond,
		PowerCycles: 1,
	}
}

// on puts a decoder on a track and turns it on.
func on(t testing.TB, s Spec) (*Bench, *Decoder) {
	t.Helper()
	d := s.New(1)
	b := New(d)
	powerOn(t, b)
	return b, d
}

func powerOn(t testing.TB, b *Bench) {
	t.Helper()
	if _, err := b.PowerOn(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func powerCycle(t testing.TB, b *Bench) {
	t.Helper()
	if err := b.PowerOff(context.Background()); err != nil {
		t.Fatal(err)
	}
	powerOn(t, b)
}

// do does one access.
func do(t testing.TB, b *Bench, a nmra.Access) station.Answer {
	t.Helper()
	answer, err := b.Service(context.Background(), a)
	if err != nil {
		t.Fatalf("%v: %v", a, err)
	}
	return answer
}

func holds(t testing.TB, b *Bench, n nmra.CV, value uint8) bool {
	t.Helper()
	return do(t, b, nmra.Access{CV: n, Value: value}).Acknowledged
}

func write(t testing.TB, b *Bench, n nmra.CV, value uint8) bool {
	t.Helper()
	return do(t, b, nmra.Access{Operation: nmra.Write, CV: n, Value: value}).Acknowledged
}

func raw(t testing.TB, b ...byte) nmra.Packet {
	t.Helper()
	p, err := nmra.NewPacket(b...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func packet(t testing.TB, i nmra.Instruction) nmra.Packet {
	t.Helper()
	p, err := i.Encode()
	if err != nil {
		t.Fatalf("%v: %v", i, err)
	}
	return p
}

// play plays packets with a long preamble, and resets before and after them that give an acknowledgement time to come. It says how many
// pulses of current there were.
func play(t testing.TB, b *Bench, packets ...nmra.Packet) (pulses int) {
	t.Helper()
	return playBehind(t, b, nmra.LongPreamble, append([]nmra.Packet{reset, reset, reset}, packets...)...)
}

// playBehind plays packets behind so many ones, then resets, and counts pulses.
func playBehind(t testing.TB, b *Bench, preamble int, packets ...nmra.Packet) (pulses int) {
	t.Helper()
	high := false
	sense := func(p nmra.Packet, preamble int) {
		for one := range p.Bits(preamble) {
			b.now += nmra.BitTime(one)
			var current station.Milliamps
			for _, d := range b.track.decoders {
				listen(d, one, b.now)
				current += d.current(b.now)
			}
			if now := current > 50; now != high {
				if high = now; high {
					pulses++
				}
			}
		}
	}
	for _, p := range packets {
		sense(p, preamble)
	}
	for range 6 {
		sense(reset, nmra.LongPreamble)
	}
	b.sampled = b.now
	return pulses
}

// listen gives a decoder one bit.
func listen(d *Decoder, one bool, now time.Duration) {
	if d.hear(one, now) {
		d.act()
	}
}

// silence lets time pass in which the track carries no packet.
func silence(b *Bench, long time.Duration) {
	for end := b.now + long; b.now < end; b.now += nmra.BitTime(true) {
		for _, d := range b.track.decoders {
			listen(d, true, b.now)
		}
	}
	b.sampled = b.now
}
