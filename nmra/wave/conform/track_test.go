package conform

import (
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// track builds a signal.
type track struct {
	testing.TB
	halves []time.Duration
}

func us(micros float64) time.Duration { return time.Duration(micros * 1000) }

// quiet sends ones for exactly that long: an even number of nanoseconds, from 1 ms on.
func (t *track) quiet(length time.Duration) {
	t.Helper()
	n := length / (2 * nmra.HalfOne)
	half, left := length/(2*n), length%(2*n)
	if half < us(55) || half >= us(61) || left%2 != 0 {
		t.Fatalf("%v can't be sent as ones", length)
	}
	for range n {
		h := half
		if left > 0 {
			h, left = h+1, left-2
		}
		t.halves = append(t.halves, h, h)
	}
}

// bare sends a packet with nothing before it.
func (t *track) bare(p nmra.Packet) {
	const preamble = 1
	from := len(t.halves)
	t.halves = wave.Sender{Preamble: preamble}.Append(t.halves, p)
	t.halves = append(t.halves[:from], t.halves[from+2*preamble:]...)
}

// send sends a packet with the preamble that a station has at the least, or that of s.
func (t *track) send(p nmra.Packet, s wave.Sender) { t.halves = s.Append(t.halves, p) }

// one sends so many ones.
func (t *track) ones(n int) { t.halves = wave.Sender{}.Ones(t.halves, n) }

// length is how long the signal is until now.
func (t *track) length() (all time.Duration) {
	for _, half := range t.halves {
		all += half
	}
	return all
}

// bytes is a packet of these, with its check byte.
func (t *track) bytes(b ...byte) nmra.Packet {
	t.Helper()
	check := byte(0)
	for _, x := range b {
		check ^= x
	}
	p, err := nmra.NewPacket(append(b, check)...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// to is a speed packet to a short address, in 28 steps.
func (t *track) to(address int) nmra.Packet {
	t.Helper()
	return t.encode(nmra.Instruction{Kind: nmra.Speed, Address: nmra.Address{Kind: nmra.Short, Number: uint16(address)},
		Steps: nmra.Steps28, Step: 6, Forward: true})
}

func (t *track) encode(i nmra.Instruction) nmra.Packet {
	t.Helper()
	p, err := i.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// measured has the meter measure the signal, in batches of at most so many halves, or all at once; and gives what it found.
func (t *track) measured(m Meter, batch int) (Result, []wave.Finding) {
	var found []wave.Finding
	for from := 0; from < len(t.halves); from += batch {
		for rest := t.halves[from:min(from+batch, len(t.halves))]; len(rest) > 0; {
			n, f := m.Scan(rest)
			rest = rest[n:]
			if f.Kind != wave.NothingFound {
				found = append(found, f)
			}
		}
	}
	if f := m.End(); f.Kind != wave.NothingFound {
		found = append(found, f)
	}
	return m.Result(), found
}

// result is what the zero Meter measures.
func (t *track) result() Result {
	r, _ := t.measured(Meter{}, len(t.halves)+1)
	return r
}

// broken lists the rules that were.
func broken(r Result) (ids []RuleID) {
	for id, rule := range r.Rules {
		if rule.Verdict == Broken {
			ids = append(ids, RuleID(id))
		}
	}
	return ids
}
