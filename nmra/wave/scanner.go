package wave

import (
	"time"

	"fettle/nmra"
)

// FindingKind is what a [Finding] is.
type FindingKind uint8

const (
	NothingFound FindingKind = iota
	PacketFound
	FaultFound
)

// Finding is what a [Scanner] found. Its times are from the beginning of the signal.
type Finding struct {
	Kind   FindingKind
	Packet nmra.Packet // found; or with a WrongCheck, or with a MissingEnd without that
	Fault  Fault
	Start  time.Duration // of the start bit of the packet; or of the half or the bit at fault, where Half is given
	End    time.Duration // of the end bit, or of what stands in its place; or of the half or the bit at fault

	// Preamble is how many ones came before the packet, the end bit of the one before it included. Behind a fault all ones in a row count,
	// since nobody knows where the packet before them ended.
	Preamble int

	Half time.Duration // at fault: the only one of a bit cut short, the second of an UnevenOne or LongZero; 0 where a whole packet is
}

// Scanner finds the packets and the faults in a signal of any length. It goes by what a decoder must accept (S-9.1 and S-9.2), and
// behind any fault it goes on with the next preamble: ten ones in a row, which no packet holds.
//
// Some faults look alike, and to any receiver. What is likelier is named:
//   - a half between the longest of a one and the shortest of a zero: LongHalf up to the middle between them, 77 µs, ShortHalf from there;
//   - behind a packet that breaks off the ones of the next preamble fill its last byte and stand for its end bit. Where there is half a
//     one too many, or the next packet has fewer ones before it than this one had, it is CutShort, else it is a WrongCheck, as it is
//     where no packet comes. With fewer than three bytes it is always CutShort; with a check byte that happens to be right it is a packet;
//   - where that byte is FF, and what came before it is a packet with the right check, it is a MissingEnd;
//   - what breaks off within a preamble, or within the end bit, is CutShort where half a bit shows it, and else nothing;
//   - a preamble at the beginning of a signal, or behind a fault, may have begun before: it is never a ShortPreamble.
//
// The zero Scanner is ready. It allocates nothing, and what it holds does not grow.
type Scanner struct {
	bits     Bits
	receiver Receiver
	at       time.Duration // where the half that came last ended
	start    time.Duration // of the packet that is coming in
	lead     int           // ones before it, without those that end a packet with a WrongCheck
	expects  bool          // a packet has ended well, and a preamble has to follow
	late     Finding       // a fault that is not yet told: what comes behind it may show what it is
	trailing int           // ones at the end of its last byte
}

// Scan takes halves up to the next finding. It says how many it took, and what it found: nothing where it took them all. A fault of a
// whole packet is told with the zero behind the next preamble, since only the length of that tells a packet cut short.
//
// Halves of any length will do, but beyond 292 years of signal the times are wrong.
func (s *Scanner) Scan(halves []time.Duration) (n int, found Finding) {
	for n, half := range halves {
		s.at += half
		first := s.bits.first
		bit := s.bits.Half(half)
		switch {
		case bit == NoBit:
		case bit == Broken:
			if found := s.broken(first, half); found.Kind != NothingFound {
				return n + 1, found
			}
		case s.receiver.left > 0:
			s.receiver.Bit(bit == One)
		case bit == One && !s.receiver.inside:
			s.receiver.ones++
		default:
			if found := s.frame(bit, half); found.Kind != NothingFound {
				return n + 1, found
			}
		}
	}
	return len(halves), Finding{}
}

// End is called at the end of the signal, and gives the fault that [Scanner.Scan] had not told yet, if there is one. The Scanner is
// then as new.
func (s *Scanner) End() Finding {
	found := s.told(s.receiver.ones-s.trailing, false)
	*s = Scanner{}
	return found
}

// frame takes a zero that no byte and no preamble has: a start bit or what stands for one; or the bit behind a byte.
func (s *Scanner) frame(bit Bit, half time.Duration) Finding {
	inside, ones := s.receiver.inside, s.receiver.ones
	switch event := s.receiver.Bit(bit == One); event {
	case Complete:
		s.expects = true
		return Finding{Kind: PacketFound, Packet: s.receiver.Packet(), Start: s.start, End: s.at, Preamble: s.receiver.lead}
	case BadCheck, TooShort:
		s.late = Finding{Kind: FaultFound, Fault: CutShort, Start: s.start, End: s.at, Preamble: s.receiver.lead}
		if event == BadCheck {
			s.late.Fault, s.late.Packet = WrongCheck, s.receiver.Packet()
		}
		s.trailing = s.receiver.ones - 1
		return Finding{}
	case TooLong:
		found := Finding{Kind: FaultFound, Fault: TooManyBytes, Start: s.start, End: s.at, Preamble: s.receiver.lead}
		if s.receiver.check == 0 {
			found.Fault = MissingEnd
			found.Packet, _ = nmra.NewPacket(s.receiver.bytes[:]...) // six bytes are never refused
		}
		return found
	}
	if inside {
		return Finding{} // the start bit of the next byte
	}
	expected, begin := s.expects, s.at-half-s.bits.first
	s.expects = false
	behind := ones - s.trailing
	late := s.told(behind, true)
	if s.receiver.inside {
		s.start, s.lead = begin, ones
		if late.Fault == WrongCheck {
			s.lead = behind
		}
	} else if expected {
		return Finding{Kind: FaultFound, Fault: ShortPreamble, Start: begin, End: s.at, Preamble: ones}
	}
	return late
}

// broken takes what is no bit, whose halves are these two, or the second alone.
func (s *Scanner) broken(first, half time.Duration) Finding {
	found := Finding{Kind: FaultFound, Fault: s.bits.fault, Start: s.at - half, End: s.at, Half: half}
	preamble := false // ended with half a one too many, before a start bit
	switch found.Fault {
	case UnevenOne, LongZero:
		found.Start -= first
	case CutShort:
		found.Start, found.End, found.Half = s.at-half-first, s.at-half, first
		preamble = s.bits.kind == Zero && !s.receiver.inside
	}
	if preamble && s.late.Kind != NothingFound && s.late.Half == 0 {
		found = cutShort(s.late) // within a one
		s.late = Finding{}
		return found
	}
	behind := s.receiver.ones - s.trailing
	if !preamble {
		s.expects = false
		s.receiver.drop()
	}
	if s.late.Kind != NothingFound {
		late := s.told(behind, false)
		s.late = found
		return late
	}
	return found
}

// told gives the fault that is not yet told, now that so many ones have come behind it, its end bit included; and a packet behind them, or
// not.
func (s *Scanner) told(behind int, packet bool) Finding {
	found := s.late
	s.late = Finding{}
	switch {
	case found.Fault != WrongCheck || behind >= s.lead:
		return found
	case endMissing(found.Packet):
		return missingEnd(found)
	case packet:
		return cutShort(found)
	}
	return found
}

// endMissing reports whether the ones of a preamble have come in as a last byte behind a packet with the right check.
func endMissing(p nmra.Packet) bool {
	if p.Len() <= nmra.MinBytes || p.Byte(p.Len()-1) != 0xFF {
		return false
	}
	var check byte
	for i := range p.Len() - 1 {
		check ^= p.Byte(i)
	}
	return check == 0
}

func cutShort(f Finding) Finding {
	f.Fault, f.Packet = CutShort, nmra.Packet{}
	return f
}

func missingEnd(f Finding) Finding {
	var room [nmra.MaxBytes]byte
	f.Fault = MissingEnd
	f.Packet, _ = nmra.NewPacket(f.Packet.Append(room[:0])[:f.Packet.Len()-1]...) // three bytes at the least
	return f
}
