package conform

import (
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// serviceEnds is how long service mode lasts behind a reset or a packet of its own (S-9.2.3), and how long behind a reset there must be
// nothing that could be taken for such a packet (S-9.2).
const serviceEnds = 20 * time.Millisecond

// First bytes of packets (S-9.2, S-9.2.1, S-9.2.3).
const (
	firstGuarded   = 100 // to 127: not right behind a reset
	firstService   = 0x70
	firstAccessory = 0x80
	firstReserved  = 0xE8 // from here on there is no address
)

// mostSilences is how many are listed.
const mostSilences = 100

// traffic is what has gone over the track. Its times are from the beginning of the signal.
type traffic struct {
	packets, inService, unreadable int64

	kinds     [nmra.RegisterWrite + 1]int64
	faults    [wave.TooManyBytes + 1]int64
	addresses *[addressCount]heard // made for the first packet

	since time.Duration // start of the packet that came last; or where the signal began, as long as there is none
	begun bool          // it is a packet's

	reset   time.Duration // end of the reset that came last
	resets  bool          // there was one
	guarded bool          // there was one, and no packet has been held against it yet

	row     bool          // the packet that came last was a reset, and may lead into service mode
	service bool          // the track is in service mode
	last    time.Duration // end of the reset or packet of service mode that came last

	silences  []Silence
	silent    int64
	silentFor time.Duration
}

// heard is what is known of an address.
type heard struct {
	packets int64
	end     time.Duration // of the packet that came last
}

// Where each kind of address begins in a table of them all; the broadcast is the first.
const (
	shortAt      = 0 // there is no short address 0
	longAt       = shortAt + nmra.MaxShort + 1
	basicAt      = longAt + nmra.MaxLong + 1
	extendedAt   = basicAt + nmra.MaxBasicAccessory + 1
	addressCount = extendedAt + nmra.MaxExtendedAccessory + 1
)

// placeOf is where an address that was parsed is in the table.
func placeOf(a nmra.Address) int {
	at := int(a.Number)
	switch a.Kind {
	case nmra.Short:
		return shortAt + at
	case nmra.Long:
		return longAt + at
	case nmra.BasicAccessory:
		return basicAt + at
	case nmra.ExtendedAccessory:
		return extendedAt + at
	}
	return 0
}

// addressAt is the address that is there in the table.
func addressAt(place int) nmra.Address {
	switch {
	case place == 0:
		return nmra.Address{}
	case place < longAt:
		return nmra.Address{Kind: nmra.Short, Number: uint16(place - shortAt)}
	case place < basicAt:
		return nmra.Address{Kind: nmra.Long, Number: uint16(place - longAt)}
	case place < extendedAt:
		return nmra.Address{Kind: nmra.BasicAccessory, Number: uint16(place - basicAt)}
	}
	return nmra.Address{Kind: nmra.ExtendedAccessory, Number: uint16(place - extendedAt)}
}

// reset is the packet with which every decoder starts anew, and service mode begins.
var reset, _ = nmra.Reset().Encode() // it has no field that could be wrong

// hear takes a packet, and measures when it came. It says whether the track is in service mode with it.
func (m *Meter) hear(f wave.Finding) (service bool) {
	t := &m.traffic
	t.packets++
	m.waited(f.Start, true)
	row := t.row && f.Packet == reset
	said, service, err := t.read(f)
	if err != nil {
		t.unreadable++
	} else {
		t.kinds[said.Kind]++
	}
	first := f.Packet.Byte(0)
	switch {
	case service:
		t.inService++
	case first < firstReserved:
		m.address(f, placeOf(said.Address), row)
	}
	if gap := f.Start - t.reset; !service && t.resets && first >= firstGuarded && first < firstAccessory && (t.guarded || gap < serviceEnds) {
		m.take(behindReset, int64(gap), f.Start)
		t.guarded = false
	}
	if f.Packet == reset {
		t.reset, t.resets, t.guarded = f.End, true, true
	}
	return service
}

// read reads a packet by the mode that the track is in with it.
func (t *traffic) read(f wave.Finding) (said nmra.Instruction, service bool, err error) {
	if f.Start-t.last > serviceEnds {
		t.service, t.row = false, false
	}
	first := f.Packet.Byte(0)
	if (t.service || t.row) && first >= firstService && first < firstAccessory {
		if said, err := f.Packet.Instruction(nmra.ServiceTrack); err == nil {
			t.service, t.row, t.last = true, false, f.End
			return said, true, nil
		}
	}
	said, err = f.Packet.Instruction(nmra.MainTrack)
	if t.row = f.Packet == reset; t.row {
		t.last = f.End
	} else {
		t.service = false
	}
	return said, t.service, err
}

// address counts a packet to an address, and holds it against the one before it there: not if it is a reset in a row of them.
func (m *Meter) address(f wave.Finding, place int, row bool) {
	if m.traffic.addresses == nil {
		m.traffic.addresses = new([addressCount]heard)
	}
	a := &m.traffic.addresses[place]
	if a.packets > 0 && !row {
		m.take(apart, int64(f.Start-a.end), f.Start)
	}
	a.packets++
	a.end = f.End
}

// waited measures the time from packet to packet where one begins; and where there comes none, until the signal ends. A time with no packet at
// one of its ends counts only where it is too long as it is.
func (m *Meter) waited(until time.Duration, packet bool) {
	t := &m.traffic
	if gap := int64(until - t.since); packet && t.begun || gap > rules[Often].most {
		m.take(often, gap, t.since)
	}
	t.since, t.begun = until, packet
}

// silence takes a time without signal.
func (t *traffic) silence(s Silence) {
	if len(t.silences) < mostSilences {
		t.silences = append(t.silences, s)
	}
	t.silent++
	t.silentFor += s.To - s.From
}

// tested is how often a thing was there that is only counted: packets, and of the faults those that show it.
func (t *traffic) tested(id RuleID) int64 {
	n := t.packets + t.faults[wave.WrongCheck]
	if id == CheckByte {
		return n
	}
	n += t.faults[wave.MissingEnd]
	if id == EndBit {
		return n
	}
	return n + t.faults[wave.CutShort]
}

func (t *traffic) result() Traffic {
	r := Traffic{
		Packets: t.packets, Idle: t.kinds[nmra.Idle], ServiceMode: t.inService, Unreadable: t.unreadable,
		Silences: append([]Silence(nil), t.silences...), Silent: t.silent, SilentFor: t.silentFor,
	}
	for kind, n := range t.kinds {
		if n > 0 {
			r.Kinds = append(r.Kinds, KindCount{nmra.Kind(kind), n})
		}
	}
	if t.addresses != nil {
		for place, a := range t.addresses {
			if a.packets > 0 {
				r.Addresses = append(r.Addresses, AddressCount{addressAt(place), a.packets})
			}
		}
	}
	for fault, n := range t.faults {
		if n > 0 {
			r.Faults = append(r.Faults, FaultCount{wave.Fault(fault), n})
		}
	}
	return r
}
