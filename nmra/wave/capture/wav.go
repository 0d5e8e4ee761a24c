package capture

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"fettle/nmra/wave"
)

// wav reads a WAV file: a header (wavheader.go), and behind it frames of one sample of each channel. Halves are found by the slicer.
//
// The channels are named by their numbers, from 1. Where the file is cut short, or longer than it says, what is there is read, as long as
// there are whole frames.
//
// Most sound cards let no DC through. What they record shows no asymmetry of a section: in their Volts its half-waves are alike.
type wav struct {
	from *bufio.Reader
	at   int64 // bytes read
	err  error // of the batch behind the last

	layout layout
	left   int64 // bytes of frames that are still to come, as the header has it

	streamed bool  // the header does not know how many
	block    int   // bytes that are read at once
	frames   int64 // read

	volts     wave.Volts // of the full scale; 0: not known
	milliamps wave.Milliamps

	signal, current int // channels; current -1: none
	slicer          slicer
	mean            mean
	currents        currents
	ended           time.Duration // the last half that was given; or else the first crossing
}

// mean is that of the samples of the current that come within 0.1 ms.
type mean struct {
	of   int // samples
	n    int // of them that have come
	sum  float64
	from time.Duration // the first of them
}

const (
	leastSwing   = 0.004    // of the full scale: what is less is the noise of a sound card
	codes        = 3        // of the converter, that noise goes up and down by
	wavBlock     = 16 << 10 // bytes
	meansASecond = 10_000   // of the current a second, at the most
)

func newWAV(from io.Reader, o Options) (reader, error) {
	if !(o.FullScale >= 0 && o.FullScale <= mostVolts) || !(o.FullScaleCurrent >= 0 && o.FullScaleCurrent <= mostVolts) {
		return nil, fmt.Errorf("a full scale of %v V and %v mA: want each from 0, which is not known, to %d", o.FullScale, o.FullScaleCurrent,
			mostVolts)
	}
	w := &wav{from: bufio.NewReaderSize(from, wavBlock), volts: o.FullScale, milliamps: o.FullScaleCurrent}
	if err := w.header(); err != nil {
		return nil, err
	}
	w.block = wavBlock / w.layout.frame() * w.layout.frame()
	return w, nil
}

func (w *wav) channels() []Channel {
	all := make([]Channel, w.layout.channels)
	for i := range all {
		all[i].Name = strconv.Itoa(i + 1)
	}
	return all
}

func (w *wav) choose(signal, current int) (Info, error) {
	if current >= 0 && w.milliamps == 0 {
		return Info{}, fmt.Errorf("channel %d of the WAV file has the current as a part of the full scale: say how many mA the full scale is",
			current+1)
	}
	w.signal, w.current = signal, current
	w.slicer.least = max(leastSwing, codes*w.layout.code()) * float64(w.scale())
	w.mean.of = int((w.layout.rate + meansASecond - 1) / meansASecond)
	return Info{Step: time.Second / time.Duration(w.layout.rate), Sampled: true, Volts: w.volts > 0}, nil
}

// missing is how much of the data that the header tells of did not come.
func (w *wav) missing() int64 {
	if w.streamed || w.left < int64(w.layout.frame()) {
		return 0
	}
	return w.left
}

// scale is the full scale in volts, or 1 where it is not known.
func (w *wav) scale() wave.Volts {
	if w.volts > 0 {
		return w.volts
	}
	return 1
}

func (w *wav) next(b *Batch) error {
	b.Start = w.ended
	w.currents.begin(b)
	for w.err == nil && !full(b) {
		w.err = w.read(b)
	}
	if w.err != nil {
		w.slicer.end(b)
		w.draw(b)
		w.currents.end(b)
	}
	w.ended = b.Start
	for _, half := range b.Halves {
		w.ended += half
	}
	if w.volts == 0 {
		b.Volts = b.Volts[:0]
	}
	switch {
	case len(b.Halves) > 0:
		if w.currents.hold(b, w.ended) {
			return nil // they come with the next
		}
	case w.err == nil:
		w.currents.hold(b, w.layout.time(w.frames)-slicerLag)
	}
	return w.err
}

// read takes a block of frames. The error is io.EOF behind the last.
func (w *wav) read(b *Batch) error {
	block, err := w.from.Peek(int(min(int64(w.block), w.left)))
	at, n, frame := w.at, len(block), w.layout.frame()
	w.at += int64(n)
	w.left -= int64(n)
	if err == nil && w.left < int64(frame) {
		err = io.EOF
	}
	defer w.from.Discard(n)
	for ; n >= frame; n -= frame {
		now := w.layout.time(w.frames)
		w.frames++
		v, wrong := w.sample(block, w.signal, at)
		if wrong != nil {
			return wrong
		}
		w.slicer.sample(b, now, v*float64(w.scale()))
		if w.current >= 0 {
			if v, wrong = w.sample(block, w.current, at); wrong != nil {
				return wrong
			}
			if w.mean.n == 0 {
				w.mean.from = now
			}
			w.mean.sum += max(-mostVolts, min(v*float64(w.milliamps), mostVolts))
			if w.mean.n++; w.mean.n == w.mean.of {
				w.draw(b)
			}
		}
		block = block[frame:]
		at += int64(frame)
	}
	return err
}

// sample is that of a channel in a frame, which begins at a byte of the file, as a part of the full scale.
func (w *wav) sample(frame []byte, channel int, at int64) (float64, error) {
	from := channel * w.layout.bytes
	v := w.layout.sample(frame[from : from+w.layout.bytes])
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, w.unlike(at+int64(from), strconv.FormatFloat(v, 'g', -1, 64), "a number")
	}
	return v, nil
}

// draw gives the mean of what has come of the current.
func (w *wav) draw(b *Batch) {
	if m := &w.mean; m.n > 0 {
		w.currents.draw(b, Current{At: m.from, Milliamps: wave.Milliamps(m.sum / float64(m.n))})
		m.n, m.sum = 0, 0
	}
}

// layout is how the samples of a WAV file lie.
type layout struct {
	channels int
	rate     uint64 // frames a second
	bytes    int    // of a sample
	float    bool   // samples are floating-point numbers; else integers, those of one byte without a sign
}

func (l layout) frame() int { return l.channels * l.bytes }

// code is the step from one sample to the next greater, as a part of the full scale.
func (l layout) code() float64 {
	if l.float {
		return 0
	}
	return math.Ldexp(1, 1-8*l.bytes)
}

// time is that of a frame.
func (l layout) time(frame int64) time.Duration {
	whole, rest := uint64(frame)/l.rate, uint64(frame)%l.rate
	return time.Duration(whole)*time.Second + time.Duration((rest*uint64(time.Second)+l.rate/2)/l.rate)
}

// sample is one sample, as a part of the full scale.
func (l layout) sample(p []byte) float64 {
	switch {
	case l.float && l.bytes == 4:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(p)))
	case l.float:
		return math.Float64frombits(binary.LittleEndian.Uint64(p))
	case l.bytes == 1:
		return float64(int(p[0])-0x80) / 0x80
	case l.bytes == 2:
		return float64(int16(binary.LittleEndian.Uint16(p))) / (1 << 15)
	case l.bytes == 3:
		return float64(int32(p[0])<<8|int32(p[1])<<16|int32(p[2])<<24) / (1 << 31)
	}
	return float64(int32(binary.LittleEndian.Uint32(p))) / (1 << 31)
}
