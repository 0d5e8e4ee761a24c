// Package board is the open board as a station: an ATmega328P with our firmware on a serial port. It has a programming track, or a
// short running track, at one output; gates; and checks of its own.
//
//	board:/dev/ttyUSB0    the board at this port
//	board:                the board at the only port at which one answers: a hello is said at each port on USB
//
// Commands open it by name, with station.Open; elsewhere start with [New], on any port.Line. What the two say to each other is in package
// link; this package makes trains of package nmra's sequences, one write and one answer for each access, and asks again where no answer
// comes. The firmware keeps the times and cuts the power by itself; what it does then, it does without this package.
//
// # One output, two tracks
//
// The board drives its one output as a programming track or as a running track, and the two differ in what they carry while nothing is
// sent and in how much current they allow. [Board.PowerOn] turns it on as a programming track. [Board.Send] has it run, and
// [Board.Service] has it program: where it does the other one, it is turned off, left without power for half a second, and turned on
// anew. So a vehicle that is to run has to be content with the programming track's current for a moment.
//
// # Cautions
//
// Never join the board's output to a layout that another station feeds. Use a supply that is certified, isolated and limited in its
// current: a short can heat rails, wheels and wiring enough to start a fire. Do not leave a live track alone. A decoder that draws more
// than 250 mA on the programming track after the first 100 ms is to be taken off, not tried again.
package board

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"fettle/station"
	"fettle/station/board/link"
	"fettle/station/port"
)

// Board is an open board. It may be used by several goroutines at once: one can wait at a gate while another one sends.
type Board struct {
	mu     sync.Mutex
	line   port.Line
	title  string
	closed bool
	done   chan struct{} // closed by Close
	alive  sync.WaitGroup

	// The exchange
	reader link.Reader
	in     []byte        // has come in, and has not been read
	said   time.Duration // when a frame was last sent
	number uint8         // of the next request that may be done twice
	next   uint8         // of the next one that may not
	gone   bool          // the line is
	failed error         // the board can't be reached any more

	hello  link.HelloAnswer
	anew   bool // it has started anew since its hello
	track  uint8
	doubt  bool          // whether the track is still on
	off    time.Duration // since when it is known to be off
	rest   station.Milliamps
	silent bool // no sign of life is given, and no event answered
	gates  gates
}

var (
	_ station.ProgrammingTrack = (*Board)(nil)
	_ station.Main             = (*Board)(nil)
	_ station.Gates            = (*Board)(nil)
	_ station.Checker          = (*Board)(nil)
)

// How long a board has to be silent before it is taken not to be there yet, and how long it may take until its program runs: opening a
// port resets the board, which then waits in its loader for a second or two. Our own choice.
const (
	startTime = 3 * time.Second
	greetings = 2
)

// leastTrain is the longest payload of a train that this package makes: five steps of packets of six bytes.
const leastTrain = 1 + 5*(3+6)

// New says hello to the board at a line, and turns its track off. title is where it is, for people: "/dev/ttyUSB0". Where no board
// answers it waits some seconds for one that is starting. Errors: [station.ErrLost] where none answers; [station.ErrStation] where it
// speaks another version of the link, or makes no sense. The line is the board's from then on, and the caller's where New fails.
func New(line port.Line, title string) (*Board, error) {
	b := &Board{line: line, title: title, done: make(chan struct{}), off: line.Now()}
	b.number = uint8(line.Now() / time.Millisecond) // so that what comes late to one who asked before is not taken for an answer
	if err := b.find(); err != nil {
		return nil, err
	}
	state, err := b.state()
	if err != nil {
		return nil, err
	}
	b.gates.last = b.gates.clock.board
	if state.Track != link.TrackOff {
		if err := b.turnOff(); err != nil {
			return nil, err
		}
	}
	if _, ok := line.(interface{ RealTime() }); ok {
		b.alive.Go(b.live)
	}
	return b, nil
}

// find says hello until the board answers.
func (b *Board) find() error {
	err := b.greet()
	for n := 0; n < greetings && errors.Is(err, station.ErrLost) && !b.gone; n++ {
		b.failed, b.anew = nil, false
		for until := b.line.Now() + startTime; !b.anew && b.line.Now() < until; {
			if err := b.wait(pollEvery); err != nil {
				return err
			}
		}
		err = b.greet()
	}
	if errors.Is(err, station.ErrLost) && !b.gone {
		return fmt.Errorf("%v: %w: %w", b.Describe(), errNoBoard, station.ErrLost)
	}
	return err
}

var errNoBoard = errors.New("no board answers: see that it is plugged in, that this is its port (fettle station list), and that it has its " +
	"firmware (fettle station load)")

// greet says hello once, and takes in what the board says of itself.
func (b *Board) greet() error {
	f, err := b.ask(b.request(link.Hello), answerTime)
	if err != nil {
		return err
	}
	var h link.HelloAnswer
	if err := f.Decode(&h); err != nil {
		return b.wrong("%w", err)
	}
	switch {
	case h.Link != link.Version:
		return b.wrong("it speaks version %d of the link, and this program version %d: load the firmware that belongs to it, "+
			"with fettle station load", h.Link, link.Version)
	case h.ProgrammingLimit == 0, h.RunningLimit == 0, h.ShortLimit == 0, h.Gates > 8, h.MaxTrain < leastTrain, h.MaxTrain > link.MaxPayload,
		time.Duration(h.SilenceMS)*time.Millisecond < 2*signEvery:
		return b.wrong("what it says of itself can't be: %+v", h)
	}
	b.hello, b.next, b.anew = h, h.Next, false
	return nil
}

// Describe says where the board is.
func (b *Board) Describe() station.Description {
	return station.Description{Kind: "open board", Title: b.title}
}

// Firmware is the version of the firmware on the board.
func (b *Board) Firmware() uint16 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.hello.Firmware
}

// Close turns the track off, whatever has failed before, and closes the line. Where the line is gone there is nobody to tell; the board
// then turns its track off by itself.
func (b *Board) Close() error {
	b.mu.Lock()
	if b.closed {
		b.mu.Unlock()
		return nil
	}
	b.closed = true
	close(b.done)
	var err error
	if b.track != link.TrackOff || b.failed != nil {
		err = b.turnOff()
	}
	if b.gone {
		err = nil
	}
	if closing := b.line.Close(); closing != nil && !b.gone {
		err = errors.Join(err, b.wrong("closing its port: %w", closing))
	}
	b.mu.Unlock()
	b.alive.Wait()
	return err
}

func (b *Board) usable(ctx context.Context) error {
	if b.closed {
		return b.wrong("it has been closed")
	}
	if b.failed != nil {
		return b.failed
	}
	return ctx.Err()
}

// wrong is the error of a board that says or does what can't be.
func (b *Board) wrong(format string, args ...any) error {
	return fmt.Errorf("%v: %w: %w", b.Describe(), fmt.Errorf(format, args...), station.ErrStation)
}

// unplugged is the error of a line that is gone.
func (b *Board) unplugged(err error) error {
	b.gone = true
	if errors.Is(err, station.ErrLost) { // it says what to see to
		err = fmt.Errorf("%v: %w", b.Describe(), err)
		b.failed = cmp.Or(b.failed, err)
		return err
	}
	return b.lost("its line is gone, see that its cable is in: %w", err)
}

// lost is the error of a board that can't be reached. Nothing is asked of it any more but to turn its track off.
func (b *Board) lost(format string, args ...any) error {
	err := fmt.Errorf("%v: %w: %w", b.Describe(), fmt.Errorf(format, args...), station.ErrLost)
	if b.failed == nil {
		b.failed = err
	}
	return err
}
