package capture

import (
	"fmt"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"

	"fettle/nmra/wave"
)

// Options say what a capture does not say itself. The zero Options leave it all to Open.
type Options struct {
	// The channel with the track signal, and the one with the track's current, in milliamps, or with acknowledgements as a level. A channel of
	// a dump may be named by the last part of its name alone, where no other has that. "": Open finds the signal; the current is then the
	// channel whose name says so, with "current" in it, or "ack" or "mA" as a word, if there is one.
	Signal, Current string

	// In a WAV file voltages and currents are parts of the full scale. 0: it is not known what the full scale is.
	FullScale        wave.Volts
	FullScaleCurrent wave.Milliamps
}

// Form is the form of a capture.
type Form uint8

const (
	VCD Form = iota + 1 // a value change dump
	CSV                 // lines of comma-separated values
	WAV                 // a WAV file
)

func (f Form) String() string {
	switch f {
	case VCD:
		return "VCD"
	case CSV:
		return "CSV"
	case WAV:
		return "WAV"
	}
	return "capture"
}

// Channel is one channel of a capture.
type Channel struct {
	Name string // as the capture has it, of a dump with the scopes that it is in: "track.rail"; of a WAV file its number, from 1
}

// Info is what is known of a capture once it is open.
type Info struct {
	Form     Form
	Channels []Channel     // those that Open looked at
	Signal   string        // the channel that has the track signal
	Current  string        // the channel that has the current; "" for none
	Step     time.Duration // how finely the capture has time: the step of a dump, the interval of samples; 0: as finely as halves have it
	Sampled  bool          // the crossings lie between samples, and are worked out from them
	Volts    bool          // Batch.Volts are filled
}

// Batch is a part of a signal. Its slices are used again by the next Next.
type Batch struct {
	Start  time.Duration   // of the first half, from the beginning of the capture
	Halves []time.Duration // in the order of time, each from where the one before it ended; each longer than nothing
	Volts  []wave.Volts    // of each half the voltage that it settles at, with its sign; none where the capture has no voltages

	// Current has what the current channel says, in the order of time, up to the end of the last half (what lies behind it may come with
	// a later batch). A batch may have no halves, where the current goes on and the signal does not.
	Current []Current
}

// batchHalves is how many halves a reader puts in a batch, and how many Currents where there are no halves, before it gives it away.
const batchHalves = 4096

// Current is the track's current from an instant on.
type Current struct {
	At        time.Duration  // from the beginning of the capture
	Milliamps wave.Milliamps // of a channel of levels: 0, or AckLevel while an acknowledgement is there
}

// AckLevel stands for an acknowledgement where the current channel is one of levels: what S-9.2.3 (July 2012), section D, has a decoder
// draw at the least.
const AckLevel wave.Milliamps = 60

// Capture is an open capture.
type Capture struct {
	info Info
	from reader
	err  error // for the Next behind what came with it
}

// reader reads the captures of one form. It is made by newVCD, newCSV or newWAV, which read the header, if there is one.
type reader interface {
	// channels are those that the capture has; where it has thousands, and names were asked for, the first and those asked for will do.
	channels() []Channel
	// choose says which of the channels next is to read; current is -1 for none. It says of them what Info has beside their names. Behind an
	// error it may be called again, with others.
	choose(signal, current int) (Info, error)
	// next fills b, whose slices are empty but have room, with batchHalves or a little more. What it has when an error comes, io.EOF behind
	// the last of the signal or another, it gives with the error.
	next(b *Batch) error
}

// Info says what is known of the capture.
func (c *Capture) Info() Info { return c.info }

// Next gives the next batch of the signal in b, some thousands of halves at the most. The error is io.EOF behind the last; a
// *SyntaxError where the capture is not what it should be; that of the reader. With an error there is nothing in b: what came before it
// was in the batches before.
func (c *Capture) Next(b *Batch) error {
	b.Halves, b.Volts, b.Current = slices.Grow(b.Halves[:0], batchHalves), b.Volts[:0], b.Current[:0]
	if c.err == nil {
		c.err = c.from.next(b)
		if len(b.Halves) > 0 || len(b.Current) > 0 {
			return nil
		}
	}
	return c.err
}

// Missing is how many bytes the capture says that it has, and has not, once Next has given its end: a WAV file that was cut short.
func (c *Capture) Missing() int64 {
	if w, ok := c.from.(*wav); ok {
		return w.missing()
	}
	return 0
}

// SyntaxError says where a capture is not what it should be.
type SyntaxError struct {
	Form  Form   // 0 where it is none
	Line  int    // from 1; 0 where the form has no lines
	Byte  int64  // from 0, from the beginning of the capture; where Line is 0
	Found string // as it stands there, whatever its bytes; "" for the end of the capture
	Want  string
}

// longestFound is how many bytes of what was found an error shows.
const longestFound = 40

// Error is one line, with no more of what was found than can be read, and none of its bytes that would do something to a terminal.
func (e *SyntaxError) Error() string {
	place := fmt.Sprintf("byte %d", e.Byte)
	if e.Line > 0 {
		place = fmt.Sprintf("line %d", e.Line)
	}
	found, rest := e.Found, ""
	if len(found) > longestFound {
		cut := longestFound
		for cut > longestFound-utf8.UTFMax && !utf8.RuneStart(found[cut]) {
			cut--
		}
		found, rest = found[:cut], "..."
	}
	if found = strconv.Quote(found) + rest; e.Found == "" {
		found = "the end"
	}
	return fmt.Sprintf("%v, %s: found %s, want %s", e.Form, place, found, e.Want)
}
