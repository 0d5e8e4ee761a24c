package boardsim

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"fettle/nmra/wave"
)

// Record is what was measured at a simulated board since it was made.
type Record struct {
	Ones, Zeros Halves
	Apart       time.Duration // by which the halves of a one differed, at most
	Broken      int           // halves that fit no bit, and packets that are none
	Packets     int
	LongestGap  time.Duration // from start bit to start bit while the track was on, its switching on and off included
	Switched    []Switched    // in the order of time
	Heard       time.Duration // when the last byte of the host had come in
	Resets      []time.Duration
}

// String is what was measured of the signal.
func (r Record) String() string {
	return fmt.Sprintf("halves of ones: %v\nhalves of zeros: %v\nhalves of a one at most %v apart; %d packets, at most %v from start to start",
		r.Ones, r.Zeros, r.Apart, r.Packets, r.LongestGap)
}

// Check holds the signal against what a station may send: its halves (NMRA S-9.1, 2020), and a packet at least every 30 ms (NMRA S-9.2,
// July 2004, section C). The error says all that is wrong.
func (r Record) Check() error {
	var errs []error
	span := func(name string, h Halves, least, most time.Duration) {
		if shortest, longest := h.Span(); len(h) > 0 && (shortest < least || longest > most) {
			errs = append(errs, fmt.Errorf("halves of %s are %v to %v, want %v to %v", name, shortest, longest, least, most))
		}
	}
	span("ones", r.Ones, 55*time.Microsecond, 61*time.Microsecond)
	span("zeros", r.Zeros, 95*time.Microsecond, 9900*time.Microsecond)
	if most := 3 * time.Microsecond; r.Apart > most {
		errs = append(errs, fmt.Errorf("halves of a one are %v apart, want at most %v", r.Apart, most))
	}
	if most := 30 * time.Millisecond; r.LongestGap >= most {
		errs = append(errs, fmt.Errorf("packets start %v apart, want less than %v", r.LongestGap, most))
	}
	if r.Broken != 0 {
		errs = append(errs, fmt.Errorf("%d bits or packets are none", r.Broken))
	}
	return errors.Join(errs...)
}

// Switched says that the board turned its track on or off.
type Switched struct {
	On bool
	At time.Duration
}

// Halves are the half-bits of one kind: how many there were of each length, in cycles of the chip, which are 1/16 µs.
type Halves map[int64]int

// Span is the shortest and the longest; 0 where there are none.
func (h Halves) Span() (least, most time.Duration) {
	lengths := slices.Sorted(maps.Keys(h))
	if len(lengths) == 0 {
		return 0, 0
	}
	return duration(lengths[0]), duration(lengths[len(lengths)-1])
}

// Count is how many there are in all.
func (h Halves) Count() (n int) {
	for _, count := range h {
		n += count
	}
	return n
}

// String lists them by length.
func (h Halves) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%d", h.Count())
	separator := ": "
	for _, length := range slices.Sorted(maps.Keys(h)) {
		fmt.Fprintf(&s, "%s%.4f µs %d", separator, float64(length)/cyclesPerMicro, h[length])
		separator = ", "
	}
	return s.String()
}

// meter measures the signal while the track is on.
type meter struct {
	record   Record
	bits     wave.Bits
	receiver wave.Receiver
	on       bool
	edge     int64         // the cycle of the last one; 0 where none has been seen since the track went on
	half     int64         // the last one, in cycles
	start    time.Duration // of the last packet, or when the track went on
}

func (m *meter) switched(on bool, at time.Duration) {
	m.record.Switched = append(m.record.Switched, Switched{on, at})
	if !on {
		m.gap(at)
	}
	m.on, m.edge, m.start, m.bits, m.receiver = on, 0, at, wave.Bits{}, wave.Receiver{}
}

// crossing takes an edge of the signal, and says what it ends.
func (m *meter) crossing(cycle int64) wave.Bit {
	began := m.edge
	if m.edge = cycle; !m.on || began == 0 {
		return wave.NoBit
	}
	before := m.half
	m.half = cycle - began
	// Halfway between the longest half of a one and the shortest of a zero that a station may send (NMRA S-9.1, 2020).
	if m.half < (61+95)/2*cyclesPerMicro {
		m.record.Ones[m.half]++
	} else {
		m.record.Zeros[m.half]++
	}
	bit := m.bits.Half(duration(m.half))
	switch bit {
	case wave.One:
		m.record.Apart = max(m.record.Apart, duration(m.half-before), duration(before-m.half))
		m.bit(true, duration(cycle))
	case wave.Zero:
		m.bit(false, duration(cycle))
	case wave.Broken:
		m.record.Broken++
	}
	return bit
}

func (m *meter) bit(one bool, at time.Duration) {
	switch m.receiver.Bit(one) {
	case wave.Nothing:
	case wave.Complete:
		m.record.Packets++
		m.gap(at - m.receiver.Packet().Airtime(0))
	default:
		m.record.Broken++
	}
}

// gap takes the start bit of a packet, or the end of the signal.
func (m *meter) gap(start time.Duration) {
	m.record.LongestGap = max(m.record.LongestGap, start-m.start)
	m.start = start
}
