package capture

import (
	"io"
	"time"

	"fettle/nmra/wave"
)

// Options say what a capture does not say itself. The zero Options leave it all to Open.
type Options struct {
	Signal  string // the channel with the track signal; "": Open finds it
	Current string // the channel with the track's current, or with acknowledgements as a level; "": one named so ("current", "ack"), if any

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
	return "no form"
}

// Channel is one channel of a capture.
type Channel struct {
	Name string // as the capture has it; of a WAV file its number, from 1
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
	Halves []time.Duration // in the order of time, each from where the one before it ended
	Volts  []wave.Volts    // of each half the voltage that it settles at, with its sign; none where the capture has no voltages

	// Current has what the current channel says, in the order of time, up to the end of the last half (what lies behind it may come with
	// a later batch).
	Current []Current
}

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
}

// reader reads the captures of one form. It is made by newVCD, newCSV or newWAV, which read the header, if there is one.
type reader interface {
	// channels are those that the capture has; where names were asked for, those of them that it has.
	channels() []Channel
	// choose says which of the channels next is to read; current is -1 for none. It says what is known of them.
	choose(signal, current int) (Info, error)
	// next fills b, whose slices are empty but have room; io.EOF behind the last of the signal.
	next(b *Batch) error
}

// Open begins to read a capture from r. Where it has to find the channel it first reads as much as a megabyte of it.
// Errors: a *SyntaxError for what is no capture; those of r.
func Open(r io.Reader, o Options) (*Capture, error) { panic("not built yet") }

// Info says what is known of the capture.
func (c *Capture) Info() Info { return c.info }

// Next gives the next batch of the signal in b, some thousands of halves at the most. The error is io.EOF behind the last; a
// *SyntaxError where the capture is not what it should be; that of the reader.
func (c *Capture) Next(b *Batch) error {
	b.Halves, b.Volts, b.Current = b.Halves[:0], b.Volts[:0], b.Current[:0]
	return c.from.next(b)
}

// SyntaxError says where a capture is not what it should be.
type SyntaxError struct {
	Form  Form
	Line  int   // from 1; 0 where the form has no lines
	Byte  int64 // from 0, from the beginning of the capture; where Line is 0
	Found string
	Want  string
}

func (e *SyntaxError) Error() string { return "" }
