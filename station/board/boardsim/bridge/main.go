// Bridge puts a simulated board on a pseudo-terminal, so that a person can try Fettle's open board with no board there:
//
//	go run ./station/board/boardsim/bridge tram-3
//
// What follows is as behind "bench:" in the name of a station; nothing is tram-3 too. The board runs the real firmware in real time, with
// these decoders on its track, until Ctrl-C. They remember as on the bench.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"fettle/station/bench"
	"fettle/station/board/boardsim"
	"fettle/station/board/firmware"

	"github.com/creack/pty"
	"golang.org/x/term"
)

func main() {
	decoders := ""
	switch len(os.Args) {
	case 1:
	case 2:
		decoders = os.Args[1]
	default:
		fmt.Fprintln(os.Stderr, "bridge: want one argument at most: what is on the track, as behind bench: (tram-3, FILE.toml, nothing)")
		os.Exit(2)
	}
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer cancel()
	if err := run(ctx, decoders, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "bridge:", err)
		os.Exit(1)
	}
}

// run bridges until the context ends.
func run(ctx context.Context, decoders string, out io.Writer) (err error) {
	track, err := bench.OpenTrack(decoders)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, track.Close()) }()
	board, err := boardsim.New(firmware.Image, track)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, board.Close()) }()
	port, device, err := pty.Open()
	if err != nil {
		return fmt.Errorf("opening a pseudo-terminal: %w", err)
	}
	defer port.Close()
	// Held open, so that it stays when a command closes it; and raw, so that what comes before a command sets it up is not echoed.
	defer device.Close()
	if _, err := term.MakeRaw(int(device.Fd())); err != nil {
		return fmt.Errorf("setting up %s: %w", device.Name(), err)
	}
	fmt.Fprintf(out, "simulated board, with %s on its track\nIn another terminal: fettle identify --station board:%s\nCtrl-C ends it.\n",
		track.Title(), device.Name())
	return carry(ctx, board, port, out)
}

// beat is how often bytes are carried, and behind from when on the board is said to be too slow.
const (
	beat   = time.Millisecond
	behind = 250 * time.Millisecond
)

// carry carries bytes between the board and the port, and lets the board's time pass as fast as real time, never faster.
func carry(ctx context.Context, board *boardsim.Board, port io.ReadWriter, out io.Writer) error {
	fromHost, toHost := make(chan []byte), make(chan []byte, 64)
	go read(ctx, port, fromHost)
	go write(ctx, port, toHost)
	ticks := time.NewTicker(beat)
	defer ticks.Stop()
	zero := time.Now().Add(-board.Now())
	said := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case b := <-fromHost:
			if _, err := board.Write(b); err != nil {
				return err
			}
		case <-ticks.C:
		}
		for now := time.Since(zero); board.Now() < now; {
			buffer := make([]byte, 256)
			n, err := board.Read(buffer, min(now-board.Now(), behind))
			if err != nil {
				return err
			}
			if n > 0 {
				select {
				case toHost <- buffer[:n]:
				default: // nobody listens: they are lost, as on a serial line
				}
			}
			if lag := time.Since(zero) - board.Now(); lag > behind {
				if zero = zero.Add(lag); !said {
					said = true
					fmt.Fprintln(out, "This computer is too busy to simulate the board in real time: it is slower now and then.")
				}
				break
			}
		}
	}
}

// read passes on what the host sends, until the port is closed.
func read(ctx context.Context, port io.Reader, to chan<- []byte) {
	for {
		b := make([]byte, 256)
		n, err := port.Read(b)
		if err != nil {
			return
		}
		select {
		case to <- b[:n]:
		case <-ctx.Done():
			return
		}
	}
}

// write passes on what the board sends, until the port is closed.
func write(ctx context.Context, port io.Writer, from <-chan []byte) {
	for {
		select {
		case b := <-from:
			if _, err := port.Write(b); err != nil {
				return
			}
		case <-ctx.Done():
			return
		}
	}
}
