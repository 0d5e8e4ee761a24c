package session_test

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"
)

const ms = time.Millisecond

// programmer plays sequences, and keeps what a capture of its track would have. All figures of the decoder's are invented.
type programmer struct {
	halves  []time.Duration
	at      time.Duration // the end of the signal
	current []drawn       // none: there is no current channel
	rest    wave.Milliamps
}

// drawn is what the track draws from then on.
type drawn struct {
	at time.Duration
	c  wave.Milliamps
}

// newProgrammer is one whose power has come on, with a current channel and a decoder that draws so much at rest.
func newProgrammer(rest wave.Milliamps) *programmer {
	p := &programmer{current: []drawn{{0, rest}}, rest: rest}
	for _, step := range nmra.PowerOn() {
		p.send(step.Packet, step.Times)
	}
	return p
}

// send sends a packet so many times with a long preamble.
func (p *programmer) send(packet nmra.Packet, times int) {
	p.sendBehind(packet, times, nmra.LongPreamble)
}

// sendBehind sends a packet so many times behind so many ones.
func (p *programmer) sendBehind(packet nmra.Packet, times, preamble int) {
	for range times {
		p.append(wave.Sender{Preamble: preamble}.Append(nil, packet)...)
	}
}

// idle plays ones for so long or a little longer.
func (p *programmer) idle(length time.Duration) {
	p.append(wave.Sender{}.Ones(nil, int(length/nmra.BitTime(true))+1)...)
}

// off is the power off for so long: one half that is no bit.
func (p *programmer) off(length time.Duration) { p.append(length) }

func (p *programmer) append(halves ...time.Duration) {
	for _, h := range halves {
		p.at += h
	}
	p.halves = append(p.halves, halves...)
}

// pulse has the decoder draw more, from then on for so long.
func (p *programmer) pulse(from, length time.Duration, height wave.Milliamps) {
	p.current = append(p.current, drawn{from, p.rest + height}, drawn{from + length, p.rest})
}

// fataler is a test, or a property's.
type fataler interface {
	Helper()
	Fatal(...any)
}

// play plays an access. The decoder acknowledges so long after the second packet, or not at all where that is less than nothing.
func (p *programmer) play(t fataler, a nmra.Access, after time.Duration) {
	t.Helper()
	sequence, err := a.Sequence()
	if err != nil {
		t.Fatal(err)
	}
	seen := time.Duration(1 << 62) // when the programmer has seen the acknowledgement
	for _, step := range sequence {
		for n := 1; n <= step.Times && (n <= step.Least || p.at < seen); n++ {
			p.send(step.Packet, 1)
			if n == 2 && step.Window == nmra.AfterSecond && after >= 0 {
				p.pulse(p.at+after, nmra.Pulse, 80)
				seen = p.at + after + nmra.Pulse
			}
		}
	}
}

// ask plays an access with an answer at once, or with none.
func (p *programmer) ask(t testing.TB, a nmra.Access, acknowledged bool) {
	t.Helper()
	after := 100 * time.Microsecond
	if !acknowledged {
		after = -1
	}
	p.play(t, a, after)
}

// hear has a Listener hear it all, in batches of so many halves: as a command does it.
func (p *programmer) hear(l *session.Listener, batch int) (heard []session.Question) {
	next := func() {
		for q, ok := l.Next(); ok; q, ok = l.Next() {
			heard = append(heard, q)
		}
	}
	slices.SortStableFunc(p.current, func(a, b drawn) int { return int(a.at - b.at) })
	var scanner wave.Scanner
	var at time.Duration
	current := p.current
	for halves := range slices.Chunk(p.halves, batch) {
		for _, h := range halves {
			at += h
		}
		for len(halves) > 0 {
			n, found := scanner.Scan(halves)
			l.Packet(found)
			halves = halves[n:]
		}
		for len(current) > 0 && current[0].at <= at {
			l.Current(current[0].at, current[0].c)
			current = current[1:]
		}
		next()
	}
	l.Packet(scanner.End())
	for _, c := range current {
		l.Current(c.at, c.c)
	}
	l.End()
	next()
	return heard
}

// packet is the packet of these bytes.
func packet(t testing.TB, b ...byte) nmra.Packet {
	t.Helper()
	p, err := nmra.NewPacket(b...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// encode is the packet that says it.
func encode(t testing.TB, i nmra.Instruction) nmra.Packet {
	t.Helper()
	p, err := i.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// verify and the others are accesses in direct mode.
func verify(n nmra.CV, value uint8) nmra.Access { return nmra.Access{CV: n, Value: value} }
func write(n nmra.CV, value uint8) nmra.Access {
	return nmra.Access{Operation: nmra.Write, CV: n, Value: value}
}
func verifyBit(n nmra.CV, bit uint8, value bool) nmra.Access {
	return nmra.Access{Operation: nmra.VerifyBit, CV: n, Bit: bit, BitValue: value}
}
func writeBit(n nmra.CV, bit uint8, value bool) nmra.Access {
	return nmra.Access{Operation: nmra.WriteBit, CV: n, Bit: bit, BitValue: value}
}

func through(m nmra.Mode, o nmra.Operation, n nmra.CV, value uint8) nmra.Access {
	return nmra.Access{Mode: m, Operation: o, CV: n, Value: value}
}
