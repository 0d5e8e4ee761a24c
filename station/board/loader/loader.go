// Package loader puts the firmware onto the open board, through the serial loader that the board's chip came with, and proves that it runs.
//
// Start with [Load]. The writing and the reading back are done by avrdude, a program of its own, and not by code of this project: loaders
// differ in small ways that it knows, and it is where a person who has loaded a chip before has seen it work. It has to be installed;
// Debian's package has its name.
package loader

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"fettle/station"
	"fettle/station/board"
	"fettle/station/board/firmware"
	"fettle/station/port"
)

// Loaded is what has been put onto a board.
type Loaded struct {
	Port     string // the board's: it may have another name than before
	Baud     int    // at which its loader answered
	Firmware uint16 // the version that answers now
}

// bauds are the speeds of loaders, the usual one first. Common practice, no source.
var bauds = [...]int{115200, 57600}

// Program is the program that does the loading.
const Program = "avrdude"

// ErrNoProgram is the error of a computer that has no avrdude.
var ErrNoProgram = errors.New("this takes the program avrdude, and it is not here: install it (Debian: sudo apt install avrdude)")

// Load puts [firmware.Image] onto the board at a port, has it read back, and says hello to it. say is told what is done next, in words.
// Errors are of [station.ErrStation], and of type [Refused] where they have what avrdude said; else [ErrNoProgram]; the context's. After an error
// the board may be without a program that runs: its loader is there still, and Load can be done again.
func Load(ctx context.Context, name string, say func(doing string)) (Loaded, error) {
	program, err := exec.LookPath(Program)
	if err != nil {
		return Loaded{}, ErrNoProgram
	}
	was, err := port.Find(name)
	if err != nil {
		return Loaded{}, err
	}
	if err := usable(name); err != nil {
		return Loaded{}, err
	}
	folder, err := os.MkdirTemp("", "fettle-")
	if err != nil {
		return Loaded{}, fmt.Errorf("keeping the firmware in a file for %s: %w", Program, err)
	}
	defer os.RemoveAll(folder)
	if err := os.WriteFile(filepath.Join(folder, image), firmware.Image, 0o600); err != nil {
		return Loaded{}, fmt.Errorf("keeping the firmware in a file for %s: %w", Program, err)
	}
	l := loading{program: program, folder: folder, port: name, longest: longest}
	if abs, err := filepath.Abs(name); err == nil && strings.ContainsRune(name, filepath.Separator) {
		l.port = abs
	}
	loaded := Loaded{Port: name}
	if loaded.Baud, err = l.atEachSpeed(ctx, say); err != nil {
		return Loaded{}, err
	}
	say("waiting for the board to start")
	now, err := port.Again(ctx, was)
	if err != nil {
		return Loaded{}, fmt.Errorf("the firmware was loaded, and then: %w", err)
	}
	if now.Name != was.Name {
		loaded.Port = now.Name
	}
	if loaded.Firmware, err = Hello(loaded.Port); err != nil {
		return Loaded{}, fmt.Errorf("the firmware was loaded and read back, and then: %w", err)
	}
	if loaded.Firmware != firmware.Version {
		return Loaded{}, fmt.Errorf("the firmware was loaded and read back, and yet version %d answers, want %d: load it again, and see that there is "+
			"only one board at this port: %w", loaded.Firmware, firmware.Version, station.ErrStation)
	}
	return loaded, nil
}

// usable makes sure that a port can be opened at all, and says why where it can't, which avrdude does not.
func usable(name string) error {
	p, err := port.Open(name, port.Settings{Baud: bauds[0]})
	if err != nil {
		return err
	}
	return p.Close()
}

// Hello asks the board at a port for the version of its firmware. Errors: those of opening it.
func Hello(name string) (uint16, error) {
	s, err := station.Open("board:" + name)
	if err != nil {
		return 0, err
	}
	b, ok := s.(*board.Board)
	if !ok {
		return 0, errors.Join(fmt.Errorf("%v: want the open board: %w", s.Describe(), station.ErrStation), s.Close())
	}
	version := b.Firmware()
	return version, b.Close()
}

// loading is one loading of one board by avrdude.
type loading struct {
	program string
	folder  string // it runs there, beside the image
	port    string
	longest time.Duration
}

const (
	image    = "firmware.hex"
	attempts = 2                // to get an answer out of a loader; each takes avrdude five seconds
	longest  = 90 * time.Second // for all of it: a port that goes away can keep avrdude busy for good. Our own choice
)

// atEachSpeed loads at the speed at which a loader answers.
func (l loading) atEachSpeed(ctx context.Context, say func(string)) (baud int, err error) {
	for _, baud = range bauds {
		say(fmt.Sprintf("loading at %d baud", baud))
		var refused Refused
		if err = l.run(ctx, baud); !errors.As(err, &refused) || !refused.silent {
			return baud, err
		}
	}
	return 0, err
}

// run has avrdude write the image at one speed and read it back.
func (l loading) run(ctx context.Context, baud int) error {
	limited, stop := context.WithTimeout(ctx, l.longest)
	defer stop()
	cmd := exec.CommandContext(limited, l.program,
		"-p", "m328p",
		"-c", "arduino", // its name for a serial loader of this kind that starts with the line DTR, on a board of whatever make
		"-P", l.port, "-b", strconv.Itoa(baud),
		"-x", "attempts="+strconv.Itoa(attempts),
		"-D", // the loader erases what it writes
		"-q", "-U", "flash:w:"+image+":i")
	cmd.Dir, cmd.WaitDelay = l.folder, time.Second
	output, err := cmd.CombinedOutput()
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("loading the firmware: it was stopped half-way, and the board may have no program that runs: load it again: %w", ctx.Err())
	}
	return refusal(l.port, baud, string(output), limited.Err() != nil)
}

// Refused is the error of a board that was not loaded, or that does not hold what was. It is a [station.ErrStation].
type Refused struct {
	Port   string
	Reason string // and what to do about it
	Output string // what avrdude said
	silent bool   // no loader answered
}

func (r Refused) Error() string {
	return fmt.Sprintf("loading the firmware onto the board at %s: %s", r.Port, r.Reason)
}

func (r Refused) Unwrap() error { return station.ErrStation }

// refusal puts what avrdude said into our words, as far as they are known.
func refusal(name string, baud int, output string, tooLong bool) Refused {
	r := Refused{Port: name, Output: strings.TrimSpace(output)}
	has := func(words string) bool { return strings.Contains(strings.ToLower(output), words) }
	switch {
	case tooLong:
		r.Reason = fmt.Sprintf("it was not done after %v, and was given up: see that the cable is in at both ends, and load it again", longest)
	case has("expected signature"), has("invalid device signature"), has("yikes"):
		r.Reason = "the chip on it is no ATmega328P: nothing was written. See that this is the right port and the right board"
	case has("verification") && (has("mismatch") || has("error")):
		r.Reason = "it does not hold what was written: do not use it as it is, load it again. " +
			"If it stays so, the chip's memory is worn, or its supply breaks in"
	case has("attempt ") || has("not in sync") || has("not responding"):
		r.silent = true
		r.Reason = fmt.Sprintf("no loader answers, at %s baud. See that this is the board's port (fettle station list), that nothing is wired to "+
			"its pins PD0 and PD1, and that no other program has the port open. If its reset button has to be pressed by hand, press it as the "+
			"loading begins. A chip without a serial loader needs another board, or a loader put on it first", words(bauds[:]))
	default:
		r.Reason = fmt.Sprintf("%s failed at %d baud; what it said is below. Load it again", Program, baud)
	}
	return r
}

func words(numbers []int) string {
	var all []string
	for _, n := range numbers {
		all = append(all, strconv.Itoa(n))
	}
	return strings.Join(all, " nor at ")
}
