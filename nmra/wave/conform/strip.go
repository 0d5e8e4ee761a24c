package conform

import (
	"slices"
	"time"

	"fettle/nmra/wave"
)

// Strip is a short part of a signal, with what was found in it: a fault, or a packet.
type Strip struct {
	Start  time.Duration   // of its first half, from the beginning of the capture
	Halves []time.Duration // in the order of time, each from where the one before it ended
	Volts  []wave.Volts    // of each half; none where the capture has no voltages
	Second bool            // the first half is the 2nd of the signal, or the 4th ...: it has the other sign than that with which the signal began

	Found    wave.Finding // what is shown; its times are from the beginning of the capture
	From, To int          // the halves to look at, those at fault or the packet: Halves[From:To]
	Packet   int          // the half with which the packet begins that is shown or that the fault is in; or From, where there is none
}

// Cell is a bit of a [Strip], or what stands in the place of one: Halves[From:To].
type Cell struct {
	Bit      wave.Bit // Zero, One or Broken; NoBit for half a bit at an end of the strip
	From, To int
}

// Byte is a byte of the packet in a [Strip], without its start bit: Halves[From:To].
type Byte struct {
	Value    byte
	From, To int
}

// Cells are the bits of the strip, one behind the other, as they are told by one who knows where its packet begins.
func (s Strip) Cells() []Cell {
	var cells []Cell
	for i := min(s.Packet, len(s.Halves)); i > 0; {
		cell := Cell{From: max(0, i-2), To: i}
		if i > 1 {
			cell.Bit = bitOf(s.Halves[i-2], s.Halves[i-1])
			if cell.Bit == wave.NoBit || cell.Bit == wave.Broken {
				cell.Bit, cell.From = wave.Broken, i-1
			}
		}
		cells = append(cells, cell)
		i = cell.From
	}
	slices.Reverse(cells)
	for i := s.Packet; i < len(s.Halves); {
		cell := Cell{From: i, To: min(i+2, len(s.Halves))}
		if i+1 < len(s.Halves) {
			cell.Bit = bitOf(s.Halves[i], s.Halves[i+1])
			if cell.Bit == wave.NoBit {
				cell.Bit, cell.To = wave.Broken, i+1 // a half of the one kind before a half of the other
			}
		}
		if s.broken(cell) {
			cell.Bit = wave.Broken
		}
		cells = append(cells, cell)
		i = cell.To
	}
	return cells
}

// broken reports whether a half at fault is in the cell.
func (s Strip) broken(c Cell) bool { return s.Found.Half > 0 && c.From < s.To && c.To > s.From }

// bitOf is what these two halves are together: NoBit where one is that of a one and the other that of a zero.
func bitOf(first, second time.Duration) wave.Bit {
	var bits wave.Bits
	if bits.Half(first) == wave.Broken {
		return wave.Broken
	}
	return bits.Half(second)
}

// Bytes are the whole bytes of the packet, up to its end bit, to what breaks it, or to the end of the strip.
func (s Strip) Bytes() []Byte {
	var found []Byte
	cells := s.Cells()
	first := slices.IndexFunc(cells, func(c Cell) bool { return c.From == s.Packet })
	if first < 0 {
		return nil
	}
	const bits = 1 + 8
	for cells = cells[first:]; len(cells) >= bits && cells[0].Bit == wave.Zero; cells = cells[bits:] {
		b := Byte{From: cells[1].From, To: cells[bits-1].To}
		for _, c := range cells[1:bits] {
			if c.Bit == wave.Broken {
				return found
			}
			b.Value <<= 1
			if c.Bit == wave.One {
				b.Value |= 1
			}
		}
		found = append(found, b)
		if s.Found.Packet.Len() == len(found) {
			return found // what stands behind the last is no start bit, though it may look like one
		}
	}
	return found
}

// How much of a signal a Strip has.
const (
	longestPacket = 6*2*9 + 2 // halves from the start bit to the end bit (S-9.2.1, July 2012: six bytes)
	tenOnes       = 20        // halves: a preamble, as the least that a decoder takes for one (S-9.2, July 2004, section A)
	before        = 20        // halves before the packet, or before a fault that is in none
	behind        = 18        // halves behind the fault, or the packet: a start bit and a byte, where a preamble is at fault
	someFaults    = 4

	// kept is how many of the halves that came last are kept to cut strips from: those of a batch, and of the ones behind a packet, since
	// a fault of a whole packet is told where the next begins. It is almost a second of ones.
	kept = 1 << 14
)

// Strips keeps the parts of a signal that show its faults: around the first of each kind, until there are enough. Of a signal without a
// fault it keeps the first packet. The zero Strips is ready. What it holds does not grow with the signal.
type Strips struct {
	Most int // how many; 0: 4

	halves []time.Duration // half n is at n % kept
	volts  []wave.Volts    // as halves; none where a batch had none
	bare   bool            // a batch had none
	n      int             // halves so far
	first  int             // the first of them that is kept
	end    time.Duration   // of the last
	strips []growing
}

// growing is a Strip that so many halves are still to come to.
type growing struct {
	Strip
	missing int
}

// Halves takes the next halves of the signal. start is that of the first of them from the beginning of the capture; volts are as many,
// or none. It allocates nothing for each half. Where start is not the end of the halves before, no strip goes over the gap.
func (s *Strips) Halves(start time.Duration, halves []time.Duration, volts []wave.Volts) {
	if len(halves) == 0 {
		return
	}
	if start != s.end {
		s.first, s.end = s.n, start
		for i := range s.strips {
			s.strips[i].missing = 0
		}
	}
	s.bare = s.bare || len(volts) != len(halves)
	for i := range s.strips {
		s.strips[i].grow(halves, volts)
	}
	if s.halves == nil {
		s.halves = make([]time.Duration, kept)
	}
	if s.volts == nil && !s.bare {
		s.volts = make([]wave.Volts, kept)
	}
	for _, half := range halves {
		s.end += half
	}
	s.n += len(halves)
	s.first = max(s.first, s.n-kept)
	last := halves[max(0, len(halves)-kept):]
	at := (s.n - len(last)) % kept
	copy(s.halves, last[copy(s.halves[at:], last):])
	if !s.bare {
		last := volts[len(volts)-len(last):]
		copy(s.volts, last[copy(s.volts[at:], last):])
	}
}

// grow takes of the halves what the strip misses.
func (g *growing) grow(halves []time.Duration, volts []wave.Volts) {
	n := min(g.missing, len(halves))
	if n == 0 {
		return
	}
	g.Strip.Halves = append(g.Strip.Halves, halves[:n]...)
	if len(volts) == len(halves) && g.Volts != nil {
		g.Volts = append(g.Volts, volts[:n]...)
	} else {
		g.Volts = nil
	}
	g.missing -= n
}

// Found takes what a [wave.Scanner] found in the halves, packets too. offset is where the signal of the Scanner begins, from the
// beginning of the capture. What lies so far back that its halves are gone has no strip.
func (s *Strips) Found(f wave.Finding, offset time.Duration) {
	if f.Kind == wave.NothingFound || !s.wants(f) {
		return
	}
	f.Start, f.End = f.Start+offset, f.End+offset
	start, ok := s.at(f.Start)
	if !ok {
		return
	}
	end, ok := s.at(f.End)
	if !ok {
		return
	}
	from, to, packet := start, end, start
	switch { // where the ones of a preamble fill a byte behind a packet, it does not end with that
	case f.Half > 0:
		packet = s.packetOf(start)
	case f.Fault == wave.ShortPreamble:
		from, to = start-2*f.Preamble, start
	case f.Fault == wave.WrongCheck:
		from, to = end-2-2*8, end-2
	case f.Fault == wave.MissingEnd, f.Fault == wave.TooManyBytes:
		from, to = end-2, end
		if n := f.Packet.Len(); n > 0 {
			from = start + n*2*9
			to = from + 2
		}
	}
	s.cut(f, from, to, packet, to+behind)
}

// wants reports whether a strip of it would be kept: of the first packet, and of the first fault of each kind.
func (s *Strips) wants(f wave.Finding) bool {
	if f.Kind == wave.PacketFound {
		return len(s.strips) == 0
	}
	most := s.Most
	if most <= 0 {
		most = someFaults
	}
	faults := 0
	for _, kept := range s.strips {
		if kept.Found.Fault == f.Fault {
			return false
		}
		if kept.Found.Kind == wave.FaultFound {
			faults++
		}
	}
	return faults < most
}

// at gives the half that begins at that time, or where the last ends the one that comes next.
func (s *Strips) at(start time.Duration) (n int, ok bool) {
	n, end := s.n, s.end
	for n > s.first && end > start {
		n--
		end -= s.halves[n%kept]
	}
	return n, end == start
}

// packetOf gives the half with which the packet begins that this one would be in: the first behind the last preamble.
func (s *Strips) packetOf(n int) int {
	ones := 0
	for i := n - 1; i >= max(s.first, n-longestPacket-tenOnes); i-- {
		var bits wave.Bits
		half := s.halves[i%kept]
		bits.Half(half)
		if bits.Half(half) != wave.One {
			ones = 0
			continue
		}
		if ones++; ones == tenOnes {
			return i + tenOnes
		}
	}
	return n
}

// cut keeps the strip with the halves from before the packet up to end.
func (s *Strips) cut(f wave.Finding, from, to, packet, end int) {
	first := max(s.first, min(packet, from)-before)
	have := min(end, s.n)
	g := growing{missing: end - have}
	g.Found, g.Second = f, first%2 == 1
	g.From, g.To, g.Packet = max(0, from-first), to-first, max(0, packet-first)
	g.Strip.Halves = make([]time.Duration, 0, end-first)
	if !s.bare {
		g.Volts = make([]wave.Volts, 0, end-first)
	}
	for n := first; n < have; n++ {
		g.Strip.Halves = append(g.Strip.Halves, s.halves[n%kept])
		if !s.bare {
			g.Volts = append(g.Volts, s.volts[n%kept])
		}
	}
	g.Start = s.end
	for n := s.n; n > first; n-- {
		g.Start -= s.halves[(n-1)%kept]
	}
	s.strips = append(s.strips, g)
}

// List gives the strips of the faults, in the order in which they were found; where there was none, that of the first packet; where there
// was none either, nothing. They may still grow with the next Halves.
func (s *Strips) List() []Strip {
	faults := slices.ContainsFunc(s.strips, func(g growing) bool { return g.Found.Kind == wave.FaultFound })
	var list []Strip
	for _, g := range s.strips {
		if faults == (g.Found.Kind == wave.FaultFound) {
			list = append(list, g.Strip)
		}
	}
	return list
}
