package capture

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// campaign is how many rounds a test that counts makes: few in `make test`, many in `make proof`.
func campaign(few, many int) int {
	if os.Getenv("FETTLE_PROOF") != "" {
		return many
	}
	return few
}

// recorded is all of a capture.
type recorded struct {
	Info
	start   time.Duration
	halves  []time.Duration
	volts   []wave.Volts
	current []Current
}

// record reads a capture to its end, or to its first error, and holds each batch to what Batch promises.
func record(r io.Reader, o Options) (all recorded, err error) {
	c, err := Open(r, o)
	if err != nil {
		return recorded{}, err
	}
	return all, all.follow(c)
}

func (all *recorded) follow(c *Capture) error {
	all.Info = c.Info()
	var b Batch
	for begun, end := false, time.Duration(0); ; {
		if err := c.Next(&b); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		switch {
		case len(b.Halves) == 0 && len(b.Current) == 0:
			return fmt.Errorf("broken promise: an empty batch")
		case len(b.Halves) > 2*batchHalves || len(b.Current) > 4*batchHalves:
			return fmt.Errorf("broken promise: a batch of %d halves and %d currents", len(b.Halves), len(b.Current))
		case len(b.Volts) != 0 && len(b.Volts) != len(b.Halves):
			return fmt.Errorf("broken promise: %d volts of %d halves", len(b.Volts), len(b.Halves))
		case begun && len(b.Halves) > 0 && b.Start != end:
			return fmt.Errorf("broken promise: a batch from %v on behind one up to %v", b.Start, end)
		}
		if len(b.Halves) > 0 && !begun {
			begun, all.start, end = true, b.Start, b.Start
		}
		for _, half := range b.Halves {
			if half <= 0 || end+half < end {
				return fmt.Errorf("broken promise: a half of %v, %v from the beginning", half, end)
			}
			end += half
		}
		for _, current := range b.Current {
			if n := len(all.current); n > 0 && current.At < all.current[n-1].At || len(b.Halves) > 0 && current.At > end {
				return fmt.Errorf("broken promise: a current at %v, behind others or the last half, which ends at %v", current.At, end)
			}
			all.current = append(all.current, current)
		}
		all.halves = append(all.halves, b.Halves...)
		all.volts = append(all.volts, b.Volts...)
	}
}

// idles are the halves of so many idle packets, as a Sender sends them.
func idles(n int) []time.Duration {
	idle, err := nmra.NewPacket(0xFF, 0x00, 0xFF)
	if err != nil {
		panic(err)
	}
	return slices.Repeat(wave.Sender{}.Append(nil, idle), n)
}

func TestWhatWasFoundDoesNoHarmInAnError(t *testing.T) {
	for _, c := range []struct {
		err  SyntaxError
		want string
	}{
		{SyntaxError{Form: VCD, Line: 12, Found: "#5", Want: "#7 or more"}, `VCD, line 12: found "#5", want #7 or more`},
		{SyntaxError{Form: WAV, Byte: 1234, Found: "dat\x00", Want: "data"}, `WAV, byte 1234: found "dat\x00", want data`},
		{SyntaxError{Want: "a dump"}, `capture, byte 0: found the end, want a dump`},
		{SyntaxError{Form: CSV, Line: 1, Found: "\x1b[2J\r\n\u202e\"", Want: "a time"}, `CSV, line 1: found "\x1b[2J\r\n\u202e\"", want a time`},
		{SyntaxError{Form: CSV, Line: 1, Found: "time µs", Want: "a time"}, `CSV, line 1: found "time µs", want a time`},
		{SyntaxError{Form: VCD, Line: 1, Found: strings.Repeat("y", 41), Want: "$end"}, `VCD, line 1: found "` + strings.Repeat("y", 40) + `"..., want $end`},
		{SyntaxError{Form: VCD, Line: 1, Found: strings.Repeat("µ", 1e6)[1:], Want: "$end"},
			`VCD, line 1: found "\xb5` + strings.Repeat("µ", 19) + `"..., want $end`},
	} {
		if got := c.err.Error(); got != c.want {
			t.Errorf("%s\nwant %s", got, c.want)
		}
	}
}
