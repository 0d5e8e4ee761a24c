package conform

import (
	"time"

	"fettle/nmra/wave"
)

// LongestHalf is the longest half that can belong to a signal; where there is no crossing for longer, the track is without one. It is
// twice what a decoder must accept of a zero (S-9.1): common practice, no source.
const LongestHalf = 20 * time.Millisecond

// Meter holds a signal against the rules of S-9.1 and S-9.2. It has a wave.Scanner in it and is used as one is: what [Meter.Scan]
// and [Meter.End] find is what that finds, but on the Meter's clock.
//
//   - A half belongs to a one up to 77 µs, as for a wave.Scanner. Halves are held against each other where both are what a decoder must
//     accept, and it is known which of them begins a bit.
//   - The preamble at the beginning of the signal or behind a fault is not measured: nobody knows where it began.
//   - A half of more than [LongestHalf] is silence: no fault, though the wave.Scanner finds a long half there, and in no measurement.
//   - From packet to packet are times between the start bits of packets with a right check byte; faults between them or not, silence
//     never. Where there is no packet at all for longer than the rule allows, that counts too.
//   - Between packets to one address are times from end bit to start bit. A decoder need not act on a second packet that is closer
//     than 5 ms (S-9.2), and so neither on the same one, repeated at once. All decoders together are an address of their own: a broadcast
//     can't wait until none of them has just been spoken to. A row of resets counts as one, since that is what leads into service mode.
//     Idle packets are to nobody, and in service mode there are no addresses.
//   - Service mode is heard as a decoder hears it (S-9.2.3): it begins with a service-mode packet right behind a reset, within 20 ms, and ends
//     with any packet that is neither, or 20 ms behind the last of them. A packet to address 112 to 127 that comes right behind a reset
//     and could be one of service mode is taken for one, since decoders take it for one too.
//
// The zero Meter is ready. What it holds does not grow with the signal, and it allocates nothing for packets that can be read, once it
// has met each kind of thing that it measures.
type Meter struct {
	// Start is that of the signal's first half: all times count on from it. With the Start of a capture's first batch they are from the
	// beginning of the capture.
	Start time.Duration
	// Step is how finely the signal has time; what is outside a limit by less is unclear. 0: as finely as it is given.
	Step time.Duration

	scanner wave.Scanner
	at      time.Duration // where the half that came last ended, from the beginning of the signal
	halves  int64

	first  time.Duration // half of the bit that is coming in
	kind   wave.Bit      // of the half that came last: Zero, One, or NoBit
	open   bool          // a bit is coming in
	placed bool          // it is known which half begins a bit

	gauges  [quantityCount]gauge
	tallies [ruleCount]tally
	sure    bool // the finding that came last was a packet: the preamble behind it begins there
	ended   bool // the half that came last ended a packet
	traffic traffic
}

// What a decoder must accept, and between the longest of a one and the shortest of a zero what is likelier (S-9.1, 2020).
const (
	leastOne  = 52 * time.Microsecond
	mostOne   = 64 * time.Microsecond
	leastZero = 90 * time.Microsecond
	mostZero  = 10 * time.Millisecond
	middle    = (mostOne + leastZero) / 2
)

// Scan takes halves up to the next finding, as the Scan of a wave.Scanner does.
func (m *Meter) Scan(halves []time.Duration) (n int, found wave.Finding) {
	n, found = m.scanner.Scan(halves)
	m.measure(halves[:n])
	return n, m.found(found)
}

// End is called at the end of the signal, and gives the fault that Scan had not told yet, if there is one. Behind it there is only
// [Meter.Result].
func (m *Meter) End() wave.Finding {
	found := m.found(m.scanner.End())
	m.waited(m.at, false)
	return found
}

// measure takes halves with nothing found in them but at their end.
func (m *Meter) measure(halves []time.Duration) {
	if len(halves) == 0 {
		return
	}
	if m.ended && halves[0] <= LongestHalf {
		m.take(behindEnd, int64(halves[0]), m.at)
	}
	m.ended = false
	m.halves += int64(len(halves))
	at := m.at
	for _, half := range halves {
		kind := wave.NoBit
		switch {
		case half <= middle:
			m.time(oneHalf, half, at)
			if half >= leastOne && half <= mostOne {
				kind = wave.One
			}
		case half <= LongestHalf:
			m.time(zeroHalf, half, at)
			if half >= leastZero && half <= mostZero {
				kind = wave.Zero
			}
		default:
			m.silent(at, half)
		}
		switch {
		case kind != m.kind:
			m.placed = kind != wave.NoBit && (m.placed || m.kind != wave.NoBit)
			m.first, m.kind, m.open = half, kind, kind != wave.NoBit
		case !m.open:
			m.first, m.open = half, kind != wave.NoBit
		default:
			m.open = false
			if m.placed {
				m.whole(m.first, half, at)
			}
		}
		at += half
	}
	m.at = at
}

// whole takes the halves of a bit; at is where the second begins.
func (m *Meter) whole(first, second, at time.Duration) {
	if m.kind == wave.Zero {
		m.time(wholeZero, first+second, at-first)
		return
	}
	m.time(difference, (second - first).Abs(), at-first)
}

// time takes a time that begins there, of which there are many.
func (m *Meter) time(q quantity, v, at time.Duration) {
	m.gauges[q].addTime(int64(v))
	if int64(v) < strictest[q].least || int64(v) > strictest[q].most {
		m.judge(q, int64(v), at)
	}
}

// take takes a value of a quantity that begins there.
func (m *Meter) take(q quantity, v int64, at time.Duration) {
	m.gauges[q].add(v, v/quantities[q].grain)
	m.judge(q, v, at)
}

// judge holds a value against the rules.
func (m *Meter) judge(q quantity, v int64, at time.Duration) {
	unsure := quantities[q].steps * int64(m.Step)
	for _, id := range rulesOf[q] {
		m.tallies[id].judge(v, rules[id].least, rules[id].most, unsure, at)
	}
}

// found measures what was found, and puts it on the Meter's clock.
func (m *Meter) found(f wave.Finding) wave.Finding {
	switch {
	case f.Kind == wave.NothingFound:
		return f
	case f.Kind == wave.PacketFound:
		m.packet(f)
	case f.Half <= LongestHalf:
		m.fault(f)
	}
	m.sure = f.Kind == wave.PacketFound
	f.Start += m.Start
	f.End += m.Start
	return f
}

func (m *Meter) packet(f wave.Finding) {
	m.ended = true
	m.take(packetBytes, int64(f.Packet.Len()), f.Start)
	service := m.hear(f)
	if !m.sure {
		return
	}
	m.take(preamble, int64(f.Preamble), f.Start)
	if service {
		m.take(servicePreamble, int64(f.Preamble), f.Start)
	}
}

// fault counts a fault. Those of halves are not counted again: they were measured.
func (m *Meter) fault(f wave.Finding) {
	m.traffic.faults[f.Fault]++
	switch f.Fault {
	case wave.ShortPreamble:
		m.take(preamble, int64(f.Preamble), f.Start)
	case wave.TooManyBytes:
		m.take(packetBytes, manyBytes, f.Start)
	case wave.WrongCheck:
		m.tallies[CheckByte].fail(f.Start)
	case wave.MissingEnd:
		m.tallies[EndBit].fail(f.Start)
	case wave.CutShort:
		m.tallies[Whole].fail(f.Start)
	}
}

// manyBytes is what a packet with too many bytes has: how many more, nobody counted.
const manyBytes = 7

// silent takes a half that is none.
func (m *Meter) silent(at, half time.Duration) {
	m.waited(at, false)
	m.traffic.since = at + half
	m.traffic.silence(Silence{From: m.Start + at, To: m.Start + at + half})
}

// Result is what was measured until now; the time since the last packet is in it behind [Meter.End].
func (m *Meter) Result() Result {
	r := Result{
		Rules:   make([]Rule, ruleCount),
		Ones:    m.gauges[oneHalf].times(),
		Zeros:   m.gauges[zeroHalf].times(),
		Traffic: m.traffic.result(),
	}
	r.Traffic.Length, r.Traffic.Halves = m.at, m.halves
	for id, is := range rules {
		rule := &r.Rules[id]
		rule.Section, rule.Name = is.section, is.name
		by := quantities[is.of]
		rule.Unit = by.unit
		rule.Limits = Limits{Least: float64(is.least) / by.of, Most: float64(is.most) / by.of}
		if by.unit == Count {
			rule.Seen = m.traffic.tested(RuleID(id))
		} else {
			g := &m.gauges[is.of]
			rule.Seen = g.seen()
			rule.Least, rule.Median, rule.Most = float64(g.low)/by.of, float64(g.median(by.grain))/by.of, float64(g.high)/by.of
		}
		m.tallies[id].fill(rule)
		if rule.Verdict == Broken || rule.Verdict == Unclear {
			rule.First += m.Start
		}
	}
	return r
}
