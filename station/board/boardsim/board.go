// Package boardsim is the open board with no board there: its real firmware, cycle by cycle in a simulated chip, and on its track the
// bench's decoders.
//
// A [Board] is the host's end of the board's serial line, on a virtual clock: what is written to it goes to the firmware at the speed of
// the line, and time passes only in Read. Behind it the firmware runs in simavr, in lockstep: it runs up to the next instant at which what
// it sees may change; the edges that it made on its signal pin become half-bits, bits (nmra/wave) and so on for the [bench.Track]; what
// the decoders then draw is the voltage at its converter. So a whole job goes through the adapter, the link, the firmware, the signal and
// the acknowledgement's current, and everything happens alike each time.
//
// [Board.Record] is what was measured meanwhile: each half-bit, the distance of the packets, when the track went on and off.
// [Board.At] disturbs: a short, a hung program, no supply, a closed gate.
//
// It takes Debian's packages gcc, libsimavr-dev and libelf-dev, and Linux. The program bridge below this package puts such a board on a
// pseudo-terminal, for a person to try.
package boardsim

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"fettle/nmra/wave"
	"fettle/station"
	"fettle/station/bench"
	"fettle/station/board/link"
)

// The chip runs as long as what it sees is sure to stay as it is, but at most this long; at least that long where nothing is sure.
const (
	longest  = 10_000 * cyclesPerMicro
	shortest = 20 * cyclesPerMicro
)

// byteCycles is how long the host takes to send a byte: 10 bits.
const byteCycles = (10*frequency + link.Baud/2) / link.Baud

// mostOff is by how much the two ends of a serial line may differ: 2.5 % (common practice, no source).
const mostOff = byteCycles / 40

// worksFrom is the voltage from which a decoder works (NMRA S-9.1, 2020).
const worksFrom = 7

// Surroundings are what the board can't help.
type Surroundings struct {
	Supply float64           // volts
	Load   station.Milliamps // that flows while the track is on, beside what the decoders draw
	Closed uint8             // gates: bit 0 is gate 1
	Hang   Hang
}

// Hang is how the firmware hangs.
type Hang uint8

const (
	Runs          Hang = iota // it does not
	HangMain                  // its main program stands still, its interrupts go on
	HangAll                   // all of it stands still
	HangSignal                // only its signal does
	HangConverter             // only its samples of the current do
)

// Board is the simulated board, seen from the host's end of its line. It is not for use by several goroutines at once.
type Board struct {
	chip   *chip
	track  *bench.Track
	cycle  int64 // now
	around Surroundings
	plans  []plan // in the order of time
	meter  meter

	toBoard  []byte
	freeFrom int64  // when the line to the board can take the next byte
	toHost   []late // bytes on the line, or waiting to be read
}

type plan struct {
	cycle int64
	do    func(*Surroundings)
}

type late struct {
	cycle int64 // from which on it can be read
	value byte
}

// New powers a board up that has the firmware's image in its flash, with a supply of 15 V, all gates open, and the track at its output.
// The image is a file in the Intel hexadecimal format. The track stays the caller's to close.
func New(image []byte, track *bench.Track) (*Board, error) {
	program, err := flash(image)
	if err != nil {
		return nil, err
	}
	c, err := startChip(program)
	if err != nil {
		return nil, err
	}
	return &Board{chip: c, track: track, around: Surroundings{Supply: 15}, meter: meter{record: Record{Ones: Halves{}, Zeros: Halves{}}}}, nil
}

// Now is the time on the board's virtual clock.
func (b *Board) Now() time.Duration { return duration(b.cycle) }

func duration(cycles int64) time.Duration { return time.Duration(cycles * nanosPer2Cycles / 2) }

// cycles are those that have begun before an instant.
func cycles(d time.Duration) int64 {
	if d > 1<<61 {
		return 1 << 61
	}
	return (int64(d)*2 + nanosPer2Cycles - 1) / nanosPer2Cycles
}

// Record is what has been measured so far.
func (b *Board) Record() Record {
	r := b.meter.record
	r.Ones, r.Zeros = maps.Clone(r.Ones), maps.Clone(r.Zeros)
	r.Switched, r.Resets = slices.Clone(r.Switched), slices.Clone(r.Resets)
	return r
}

// At has the surroundings change at an instant, or now where it has passed.
func (b *Board) At(at time.Duration, do func(*Surroundings)) {
	b.plans = append(b.plans, plan{cycles(at), do})
	slices.SortStableFunc(b.plans, func(x, y plan) int { return cmp.Compare(x.cycle, y.cycle) })
}

// Write sends bytes to the board. They travel at the line's speed while time passes.
func (b *Board) Write(p []byte) (int, error) {
	b.toBoard = append(b.toBoard, p...)
	return len(p), nil
}

// Read gives bytes that have come from the board, and waits at most wait for the first. None in time is 0, nil.
func (b *Board) Read(p []byte, wait time.Duration) (int, error) {
	until := b.cycle + cycles(wait)
	for {
		n := 0
		for n < len(p) && len(b.toHost) > 0 && b.toHost[0].cycle <= b.cycle {
			p[n], b.toHost = b.toHost[0].value, b.toHost[1:]
			n++
		}
		if n > 0 || b.cycle >= until || len(p) == 0 {
			return n, nil
		}
		if err := b.step(until); err != nil {
			return 0, err
		}
	}
}

// Run lets time pass in which the host neither writes nor reads.
func (b *Board) Run(long time.Duration) error {
	for until := b.cycle + cycles(long); b.cycle < until; {
		if err := b.step(until); err != nil {
			return err
		}
	}
	return nil
}

// Close takes the board's power away.
func (b *Board) Close() error {
	b.track.Power(false, b.Now())
	return b.chip.close()
}

// step lets the chip run up to the next instant at which what it sees may change, or until it has done something.
func (b *Board) step(until int64) error {
	for len(b.plans) > 0 && b.plans[0].cycle <= b.cycle {
		b.plans[0].do(&b.around)
		b.plans = b.plans[1:]
		b.track.Power(b.live(), b.Now())
	}
	until = min(until, b.cycle+longest, max(cycles(b.track.SteadyUntil(b.Now())), b.cycle+shortest))
	if len(b.plans) > 0 {
		until = min(until, b.plans[0].cycle)
	}
	for _, l := range b.toHost { // the first that has not come yet
		if l.cycle > b.cycle {
			until = min(until, l.cycle)
			break
		}
	}
	o := order{Current: b.current(), Supply: b.supply(), Byte: noByte, Gates: ^b.around.Closed << 1 & 0x1E, Hang: b.around.Hang}
	if len(b.toBoard) > 0 && b.freeFrom <= b.cycle {
		o.Byte, b.toBoard = int16(b.toBoard[0]), b.toBoard[1:]
		b.freeFrom = b.cycle + byteCycles
		b.meter.record.Heard = duration(b.freeFrom)
	}
	if len(b.toBoard) > 0 {
		until = min(until, b.freeFrom)
	}
	o.Cycles = uint32(until - b.cycle)
	ran, events, err := b.chip.run(o)
	if err != nil {
		return err
	}
	for _, e := range events {
		if err := b.take(e); err != nil {
			return err
		}
	}
	b.cycle += ran
	return b.track.Err()
}

// supply is the voltage at the converter in millivolts.
func (b *Board) supply() uint16 { return uint16(min(5000, b.around.Supply*1000/4.9)) }

// current is the voltage of the current sense in millivolts: 4 a mA, up to the converter's reference.
func (b *Board) current() uint16 {
	if !b.live() {
		return 0
	}
	return uint16(min(5000, 4*float64(b.track.Current(b.Now())+b.around.Load)))
}

// live says whether there is power at the rails: the bridge is on and has a supply.
func (b *Board) live() bool { return b.meter.on && b.around.Supply >= worksFrom }

// take takes in what the chip did.
func (b *Board) take(e event) error {
	cycle := b.cycle + int64(e.Offset)
	at := duration(cycle)
	switch e.Kind {
	case edge:
		if bit := b.meter.crossing(cycle); bit == wave.One || bit == wave.Zero {
			b.track.Bit(bit == wave.One, at)
		}
	case switched:
		b.meter.switched(e.Value != 0, at)
		b.track.Power(b.live(), at)
	case sent:
		if off := int(e.Cycles) - byteCycles; off < -mostOff || off > mostOff {
			return fmt.Errorf("the board sends at %d baud, which is too far from %d to be read", 10*frequency/max(int(e.Cycles), 1), link.Baud)
		}
		b.toHost = append(b.toHost, late{cycle + int64(e.Cycles), e.Value})
	case wasReset:
		b.meter.record.Resets = append(b.meter.record.Resets, at)
		b.around.Hang = Runs
	case crashed:
		return fmt.Errorf("the simulated chip crashed %v after its start: the firmware is not what it can run", at)
	}
	return nil
}
