package report

import (
	"errors"
	"fmt"
	"io"

	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
	"fettle/nmra/wave/conform"
)

// mostCapture is how many bytes a capture may have that a report measures (our choice: it takes some seconds).
const mostCapture = 200 << 20

// capture measures a recorded signal as far as it can be read. Only the context's errors come back.
func (r *reader) capture(name string) error {
	f, size, err := r.open(name)
	if err != nil {
		r.unread(name, err)
		return nil
	}
	defer f.Close()
	if size > mostCapture {
		r.unread(name, fmt.Errorf("found a recorded signal of %d MiB, want at most %d: fettle signal measures it", size>>20, mostCapture>>20))
		return nil
	}
	in, err := capture.Open(io.LimitReader(f, mostCapture), capture.Options{})
	if err != nil {
		r.unread(name, err)
		return nil
	}
	e := ear{meter: conform.Meter{Step: in.Info().Doubt()}}
	c := Capture{File: name}
	for b := (capture.Batch{}); ; {
		if err := r.ctx.Err(); err != nil {
			return err
		}
		err := in.Next(&b)
		if err == nil {
			e.hear(&b)
			continue
		}
		if !errors.Is(err, io.EOF) {
			c.Stopped = err.Error()
		} else if n := in.Missing(); n > 0 {
			c.Stopped = fmt.Sprintf("the file was cut short: %d bytes of it are missing", n)
		}
		break
	}
	e.found(e.meter.End())
	c.Info, c.Result, c.Strips = in.Info(), e.meter.Result(), e.strips.List()
	if c.Info.Volts {
		c.Voltage = e.volts.Result(conform.AnyScale)
	}
	r.folder.Captures = append(r.folder.Captures, c)
	return nil
}

// ear measures a signal.
type ear struct {
	begun  bool
	meter  conform.Meter
	volts  conform.Voltmeter
	strips conform.Strips
}

func (e *ear) hear(b *capture.Batch) {
	if !e.begun && len(b.Halves) > 0 {
		e.begun, e.meter.Start = true, b.Start
	}
	e.strips.Halves(b.Start, b.Halves, b.Volts)
	if len(b.Volts) > 0 {
		e.volts.Halves(b.Start, b.Halves, b.Volts)
	}
	for halves := b.Halves; len(halves) > 0; {
		n, found := e.meter.Scan(halves)
		halves = halves[n:]
		e.found(found)
	}
}

func (e *ear) found(f wave.Finding) {
	if f.Kind != wave.NothingFound {
		e.strips.Found(f, 0)
	}
}
