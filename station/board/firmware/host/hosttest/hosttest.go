// Package hosttest runs the host build of the board's firmware with the bench's decoders on its track, for campaigns that are too
// large for a simulated chip: the same C but for what touches the hardware, as an ordinary program, in virtual time.
//
// [Build] compiles it, [Start] runs it, and a [Cable] is a host's end of its serial line: a line for package board. What the board
// does is told to [Board.Acts], packet by packet. The program that the records go to and come from is in the folder above; its
// records are
//
//	E on(1)                    the bridge is switched
//	P preamble(1) n(1) bytes   a packet is played; then a reply
//	O micros(4)                so much time without a packet: ones while on, nothing while off; then a reply
//	U n(1) bytes               bytes on the serial line to the host
//
// and a reply is k(1), k runs of a current, tenths of a mA (2) and samples of 52 µs (2), then n(1) and bytes from the serial line.
// Figures have their low byte first.
package hosttest

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/bench"
)

const (
	sampleTime = 52 * time.Microsecond
	byteTime   = 10 * time.Second / 115200 // 8N1
	mostTime   = 500 * time.Microsecond    // of an O
)

// Acts is what a board did.
type Acts struct {
	Played   func(preamble int, p nmra.Packet) // may be nil
	Switched func(on bool)                     // may be nil
}

// Board is the running firmware. It is not for use by several goroutines at once.
type Board struct {
	Acts Acts
	Load station.Milliamps // that flows while the track is on, beside what the decoders draw

	program string
	process *exec.Cmd
	say     io.WriteCloser
	hear    *bufio.Reader
	track   *bench.Track
	on      bool
	now     time.Duration
	sampled time.Duration // up to here
	ones    time.Duration // of an O, that make no whole bit yet
	runs    []run
	current station.Milliamps // until steady
	steady  time.Duration
	reply   []byte
	waits   bool // the program waits for a reply

	toBoard, toHost wire
}

// run is so many samples of one current.
type run struct{ tenths, samples uint16 }

// wire is one direction of the serial line: bytes, each with the instant at which it has come through.
type wire struct {
	bytes []byte
	at    []time.Duration
	free  time.Duration // when the last of them has come through
}

func (w *wire) send(now time.Duration, b ...byte) {
	for _, x := range b {
		w.free = max(w.free, now) + byteTime
		w.bytes, w.at = append(w.bytes, x), append(w.at, w.free)
	}
}

// take takes at most len(b) bytes that have come through.
func (w *wire) take(now time.Duration, b []byte) (n int) {
	for n < len(b) && n < len(w.at) && w.at[n] <= now {
		n++
	}
	copy(b, w.bytes[:n])
	w.bytes, w.at = w.bytes[n:], w.at[n:]
	return n
}

// Build compiles the host build by the Makefile in the firmware's folder, into another folder, and gives the program's path. It takes
// make and a C compiler.
func Build(firmware, into string) (program string, err error) {
	for _, needs := range []string{"make", "gcc"} {
		if _, err := exec.LookPath(needs); err != nil {
			return "", fmt.Errorf("building the firmware for this machine: %w: install Debian's package %s", err, needs)
		}
	}
	if into, err = filepath.Abs(into); err != nil {
		return "", err
	}
	// So that go test runs again where a source has changed.
	err = filepath.WalkDir(firmware, func(path string, _ fs.DirEntry, err error) error {
		if err == nil {
			_, err = os.Stat(path)
		}
		return err
	})
	if err != nil {
		return "", err
	}
	if out, err := exec.Command("make", "-s", "-C", firmware, "BUILD="+into, "host").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the firmware for this machine: %w\n%s", err, out)
	}
	return filepath.Join(into, "host", "board"), nil
}

// Start powers a board up, with a track at its output. The track stays the caller's to close.
func Start(program string, track *bench.Track) (*Board, error) {
	b := &Board{program: program, track: track}
	return b, b.boot()
}

func (b *Board) boot() (err error) {
	b.process = exec.Command(b.program)
	b.process.Stderr = os.Stderr
	if b.say, err = b.process.StdinPipe(); err != nil {
		return err
	}
	out, err := b.process.StdoutPipe()
	if err != nil {
		return err
	}
	b.hear = bufio.NewReaderSize(out, 1<<16)
	return b.process.Start()
}

// Restart takes the board's power away and gives it back, as a cable does that is pulled out and put in again.
func (b *Board) Restart() error {
	b.power(false)
	if err := b.halt(); err != nil {
		return err
	}
	b.waits, b.runs, b.toBoard, b.toHost = false, nil, wire{}, wire{}
	return b.boot()
}

func (b *Board) halt() error {
	err := b.say.Close()
	if _, err := io.Copy(io.Discard, b.hear); err != nil {
		return err
	}
	return errors.Join(err, b.process.Wait())
}

// Now is the board's virtual time.
func (b *Board) Now() time.Duration { return b.now }

// On says whether the track is on.
func (b *Board) On() bool { return b.on }

// Run lets time pass.
func (b *Board) Run(long time.Duration) error {
	for until := b.now + long; b.now < until; {
		if err := b.step(); err != nil {
			return err
		}
	}
	return nil
}

// Close takes the board's power away.
func (b *Board) Close() error {
	b.power(false)
	return b.halt()
}

// step lets the firmware run until time has passed.
func (b *Board) step() error {
	if b.waits {
		if err := b.answer(); err != nil {
			return err
		}
	}
	for {
		kind, err := b.hear.ReadByte()
		if err != nil {
			return fmt.Errorf("the host build of the firmware has ended: %w", err)
		}
		switch kind {
		case 'E':
			on, err := b.hear.ReadByte()
			if err != nil {
				return err
			}
			b.power(on != 0)
		case 'U':
			bytes, err := b.bytes()
			if err != nil {
				return err
			}
			b.toHost.send(b.now, bytes...)
		case 'P':
			preamble, err := b.hear.ReadByte()
			if err != nil {
				return err
			}
			bytes, err := b.bytes()
			if err != nil {
				return err
			}
			b.waits = true
			return b.play(int(preamble), bytes)
		case 'O':
			var micros uint32
			if err := binary.Read(b.hear, binary.LittleEndian, &micros); err != nil {
				return err
			}
			b.waits = true
			return b.idle(time.Duration(micros) * time.Microsecond)
		default:
			return fmt.Errorf("the host build of the firmware: a record %q, want E, P, O or U", kind)
		}
	}
}

// bytes reads a count, and so many bytes.
func (b *Board) bytes() ([]byte, error) {
	n, err := b.hear.ReadByte()
	if err != nil {
		return nil, err
	}
	bytes := make([]byte, n)
	_, err = io.ReadFull(b.hear, bytes)
	return bytes, err
}

func (b *Board) power(on bool) {
	if on == b.on {
		return
	}
	b.on, b.steady, b.ones = on, 0, 0
	b.track.Power(on, b.now)
	if b.Acts.Switched != nil {
		b.Acts.Switched(on)
	}
}

func (b *Board) play(preamble int, bytes []byte) error {
	p, err := nmra.NewPacket(bytes...)
	if err != nil {
		return fmt.Errorf("the host build of the firmware: %w", err)
	}
	if !b.on {
		return errors.New("the host build of the firmware: a packet while its track is off")
	}
	if b.Acts.Played != nil {
		b.Acts.Played(preamble, p)
	}
	for one := range p.Bits(preamble) {
		b.pass(nmra.BitTime(one))
		b.track.Bit(one, b.now)
		b.steady = 0
	}
	return nil
}

func (b *Board) idle(long time.Duration) error {
	if long <= 0 || long > mostTime {
		return fmt.Errorf("the host build of the firmware: %v without a packet, want up to %v", long, mostTime)
	}
	if !b.on {
		b.pass(long)
		return nil
	}
	for b.ones += long; b.ones >= nmra.BitTime(true); b.ones -= nmra.BitTime(true) {
		b.pass(nmra.BitTime(true))
		b.track.Bit(true, b.now)
		b.steady = 0
	}
	return nil
}

// pass lets time pass in which the current is sampled. Where nothing is sure it is asked for anew at each sample.
func (b *Board) pass(long time.Duration) {
	for until := b.now + long; ; b.sampled += sampleTime {
		if b.sampled >= until {
			b.now = until
			return
		}
		if b.on && b.sampled >= b.steady {
			b.current, b.steady = b.track.Current(b.sampled)+b.Load, b.track.SteadyUntil(b.sampled)
		}
		var tenths uint16
		if b.on {
			tenths = uint16(min(b.current*10+0.5, 0xFFFF))
		}
		if last := len(b.runs) - 1; last >= 0 && b.runs[last].tenths == tenths {
			b.runs[last].samples++
		} else {
			b.runs = append(b.runs, run{tenths, 1})
		}
	}
}

// answer gives the firmware the reply that it waits for.
func (b *Board) answer() error {
	if len(b.runs) > 255 {
		return fmt.Errorf("the current changed %d times within one packet, more than a reply can say", len(b.runs))
	}
	b.reply = append(b.reply[:0], byte(len(b.runs)))
	for _, r := range b.runs {
		b.reply = binary.LittleEndian.AppendUint16(b.reply, r.tenths)
		b.reply = binary.LittleEndian.AppendUint16(b.reply, r.samples)
	}
	b.runs = b.runs[:0]
	var came [255]byte
	n := b.toBoard.take(b.now, came[:])
	b.reply = append(append(b.reply, byte(n)), came[:n]...)
	b.waits = false
	_, err := b.say.Write(b.reply)
	return err
}

// Cable is a host's end of the board's serial line, a port.Line in virtual time. After so many bytes in both directions it is pulled
// out, if Left says so.
type Cable struct {
	Board *Board
	Left  int // bytes until it is pulled out; less than 0: it stays in
}

// ErrPulled is the error of a cable that has been pulled out.
var ErrPulled = errors.New("the cable is out")

func (c *Cable) Now() time.Duration { return c.Board.now }
func (c *Cable) Close() error       { return nil }

func (c *Cable) Write(p []byte) (int, error) {
	n := c.pass(len(p))
	c.Board.toBoard.send(c.Board.now, p[:n]...)
	if n < len(p) {
		return n, ErrPulled
	}
	return n, nil
}

func (c *Cable) Read(p []byte, wait time.Duration) (int, error) {
	for until := c.Board.now + wait; ; {
		if c.Left == 0 {
			return 0, ErrPulled
		}
		if n := c.Board.toHost.take(c.Board.now, p); n > 0 || c.Board.now >= until {
			return c.pass(n), nil
		}
		if err := c.Board.step(); err != nil {
			return 0, err
		}
	}
}

// pass says how many of n bytes still come through.
func (c *Cable) pass(n int) int {
	if c.Left < 0 {
		return n
	}
	n = min(n, c.Left)
	c.Left -= n
	return n
}
