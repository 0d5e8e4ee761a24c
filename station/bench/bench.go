package bench

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
	"fettle/station"
)

// Times that the standards leave to a station.
const (
	unpowered = 500 * time.Millisecond // from power-off to power-on, so that every decoder has lost its power
	settling  = 50 * time.Millisecond  // idle packets after those to the main, in which a decoder's memory is updated
)

// Bench is a track with decoders on it. It is a [station.ProgrammingTrack] and a [station.Layout], on one track. Its clock runs
// only while packets are played, while the power is cycled and in Wait, so it is exact and costs no time. It is not for use by several goroutines
// at once.
type Bench struct {
	track      *Track
	now        time.Duration
	used       bool // has been on
	closed     bool
	sensor     sensor
	sampled    time.Duration      // up to here
	above      time.Duration      // how long the current has been above station.MostCurrent
	overloaded station.Milliamps  // the current that was, for longer than station.MostCurrentTime
	rest       station.Milliamps  // after power-on
	recording  *capture.Recording // nil: none
	recorded   time.Duration      // up to here
	begun      time.Duration      // the recording
	railway    *railway           // nil: none
	standing   []standing         // what goes on being sent
	turn       int                // counts what a station sends by itself
}

var (
	_ station.ProgrammingTrack = (*Bench)(nil)
	_ station.Main             = (*Bench)(nil)
)

// New puts decoders on a track of their own. Its power is off.
func New(decoders ...*Decoder) *Bench {
	return &Bench{track: NewTrack(decoders...)}
}

// Record has the bench take down, from now on, what is on its track: the signal, and the current. While the power is off there is a silence.
func (b *Bench) Record(to *capture.Recording) { b.recording, b.recorded, b.begun = to, b.now, b.now }

// record takes down a bit that is about to begin, and what was silent before it.
func (b *Bench) record(one bool) {
	if b.recording == nil {
		return
	}
	if silent := b.now - b.recorded; silent > 0 {
		b.recording.Half(silent)
	}
	half := nmra.BitTime(one) / 2
	b.recording.Half(half)
	b.recording.Half(half)
	b.recorded = b.now + 2*half
}

// recordCurrent takes down what flows from an instant on.
func (b *Bench) recordCurrent(at time.Duration, current station.Milliamps) {
	if b.recording != nil {
		b.recording.Draws(at-b.begun, wave.Milliamps(current))
	}
}

// Now is the time on the clock of the bench: 0 when it was made.
func (b *Bench) Now() time.Duration { return b.now }

// Describe names what stands on the track.
func (b *Bench) Describe() station.Description {
	return station.Description{Kind: "simulated bench", Title: b.track.Title(), Simulated: true}
}

// PowerOn turns the track on and plays what S-9.2.3, section D, has a decoder start up with.
func (b *Bench) PowerOn(ctx context.Context) (station.Draw, error) {
	if err := b.usable(ctx); err != nil {
		return station.Draw{}, err
	}
	if b.track.Powered() {
		return station.Draw{Rest: b.rest}, nil
	}
	began := b.now
	if b.used {
		b.now += unpowered
	}
	b.used, b.above, b.overloaded, b.sampled, b.sensor = true, 0, 0, b.now, sensor{}
	b.move()
	b.track.Power(true, b.now)
	b.move()
	for _, step := range nmra.PowerOn() {
		for n := range step.Times {
			if n == step.Times-1 {
				b.sensor.task = atRest
			}
			if err := b.play(step.Packet, nmra.LongPreamble); err != nil {
				return station.Draw{Airtime: b.now - began}, fmt.Errorf("turning the track on: %w", err)
			}
		}
	}
	b.rest = b.sensor.rest()
	return station.Draw{Rest: b.rest, Airtime: b.now - began}, b.track.Err()
}

// PowerOff turns the track off, whatever the context. A decoder whose memory is being written then loses that register.
func (b *Bench) PowerOff(context.Context) error {
	b.move()
	b.track.Power(false, b.now)
	b.move()
	b.standing = nil
	b.recordCurrent(b.now, 0)
	return b.track.Err()
}

// Close turns the track off, and lets go of what the decoders remember in. The bench is of no use then.
func (b *Bench) Close() error {
	b.closed = true
	return b.track.Close()
}

// Service plays the packets of an access and listens. An access that has begun is done whole, unless the power fails.
func (b *Bench) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if err := b.ready(ctx); err != nil {
		return station.Answer{}, err
	}
	sequence, err := a.Sequence()
	if err != nil {
		return station.Answer{}, err
	}
	began := b.now
	b.sensor = sensor{}
	for _, step := range sequence {
		for n := 0; n < step.Times && (n < step.Least || !b.sensor.seen); n++ {
			b.sensor.task = taskDuring(step.Window, n)
			if err := b.play(step.Packet, nmra.LongPreamble); err != nil {
				return station.Answer{Airtime: b.now - began}, err
			}
		}
	}
	answer := b.sensor.answer()
	answer.Airtime = b.now - began
	return answer, b.track.Err()
}

// taskDuring is what the sensor does during the n-th packet of a step, from 0.
func taskDuring(w nmra.Window, n int) task {
	switch {
	case w == nmra.Listening, w == nmra.AfterSecond && n >= 2:
		return listening
	case w == nmra.AfterSecond && n == 0:
		return atRest
	}
	return deaf
}

// Send sends a packet to the main, and idle packets after it until a decoder's memory has had time to be updated.
func (b *Bench) Send(ctx context.Context, p nmra.Packet, times int) error {
	if err := b.ready(ctx); err != nil {
		return err
	}
	if p.Len() == 0 || times < 1 {
		return fmt.Errorf("sending packet %q %d times: want a packet with bytes, at least once", p, times)
	}
	b.sensor = sensor{}
	b.remember(p)
	for range times {
		if err := b.play(p, nmra.ApartPreamble); err != nil {
			return err
		}
	}
	for end := b.now + settling; b.now < end; {
		if err := b.play(idle, nmra.Preamble); err != nil {
			return err
		}
	}
	return b.track.Err()
}

var idle, _ = nmra.Instruction{Kind: nmra.Idle}.Encode()

func (b *Bench) usable(ctx context.Context) error {
	if b.closed {
		return fmt.Errorf("simulated bench: it has been closed: %w", station.ErrStation)
	}
	return ctx.Err()
}

func (b *Bench) ready(ctx context.Context) error {
	if err := b.usable(ctx); err != nil {
		return err
	}
	if !b.track.Powered() {
		return fmt.Errorf("simulated bench: the track is off, turn it on first: %w", station.ErrStation)
	}
	return nil
}

// play plays one packet, bit by bit. What a decoder draws changes only when it acts, so the sampling of the current waits until then.
func (b *Bench) play(p nmra.Packet, preamble int) error {
	for one := range p.Bits(preamble) {
		b.record(one)
		b.now += nmra.BitTime(one)
		if b.track.hear(one, b.now) {
			b.sense()
			if b.railway != nil {
				b.railway.advance(b.now)
			}
			b.track.act()
			b.move()
		}
		if !b.track.Powered() {
			return fmt.Errorf("simulated bench: the track lost its power, turn it on again: %w", station.ErrStation)
		}
	}
	if b.sense(); b.overloaded > 0 {
		b.move()
		b.track.Power(false, b.now)
		b.move()
		return station.Overload{Current: b.overloaded}
	}
	return nil
}

// sense samples the current up to now: what all decoders draw together. Samples of a current that does not change are taken as one.
func (b *Bench) sense() {
	for b.sampled < b.now {
		length := sampleEvery
		if b.track.steady(b.sampled, b.now) {
			length *= (b.now - b.sampled + sampleEvery - 1) / sampleEvery
		}
		current := b.track.Current(b.sampled)
		b.recordCurrent(b.sampled, current)
		b.sampled += length
		b.sensor.sample(current, length)
		if current <= station.MostCurrent {
			b.above = 0
		} else if b.above += length; b.above > station.MostCurrentTime {
			b.overloaded = max(b.overloaded, current)
		}
	}
}
