package board

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board/link"
)

// unpowered is how long the track is without power before it is turned on again, so that every decoder has lost its power. Our own choice.
const unpowered = 500 * time.Millisecond

// allowed is how long the current may be above the limit, in ms: on the running track too.
const allowed = uint8(station.MostCurrentTime / time.Millisecond)

// How the board tells an acknowledgement from noise. A decoder has to draw at least 60 mA more for 5 to 7 ms (S-9.2.3, section C); the
// board is content with less, so that one on dirty rails is seen. These are the simulated bench's figures, and our own choice.
const (
	threshold = 40   // mA above rest
	enough    = 3000 // µs above the threshold, gaps not counted
)

// PowerOn turns the track on as a programming track and plays what S-9.2.3, section D, has a decoder start up with.
func (b *Board) PowerOn(ctx context.Context) (station.Draw, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.usable(ctx); err != nil {
		return station.Draw{}, err
	}
	if err := b.certain(); err != nil {
		return station.Draw{}, err
	}
	if b.track != link.TrackOff {
		return station.Draw{Rest: b.rest}, nil
	}
	return b.turnOn(ctx, link.TrackProgramming)
}

// PowerOff turns the track off, whatever the context. A decoder whose memory is being written then may lose that register.
func (b *Board) PowerOff(context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return b.wrong("it has been closed")
	}
	if b.track == link.TrackOff && b.failed == nil {
		return nil
	}
	return b.turnOff()
}

// ready has the track on as the one or the other.
func (b *Board) ready(ctx context.Context, track uint8) error {
	if err := b.usable(ctx); err != nil {
		return err
	}
	if err := b.certain(); err != nil {
		return err
	}
	switch b.track {
	case track:
		return nil
	case link.TrackOff:
		return b.wrong("its track is off, turn it on first")
	}
	if err := b.turnOff(); err != nil {
		return err
	}
	_, err := b.turnOn(ctx, track)
	return err
}

// turnOn turns the track on once it has been without power for long enough, and lets decoders start up.
func (b *Board) turnOn(ctx context.Context, track uint8) (station.Draw, error) {
	began := b.line.Now()
	if err := b.wait(b.off + unpowered - began); err != nil {
		return station.Draw{}, err
	}
	if err := ctx.Err(); err != nil {
		return station.Draw{}, err
	}
	if b.anew {
		if err := b.greet(); err != nil {
			return station.Draw{}, err
		}
	}
	b.track, b.doubt = track, false // whatever comes of it: it is to be turned off
	err := b.start(track)
	return station.Draw{Rest: b.rest, Airtime: b.line.Now() - began}, err
}

// start turns the track on.
func (b *Board) start(track uint8) error {
	on := link.OnRequest{Track: track, LimitMA: b.limit(), AllowedMS: allowed, ThresholdMA: threshold, EnoughUS: enough}
	var state link.StateAnswer
	if err := b.once(link.On, answerTime, &state, on); err != nil {
		return fmt.Errorf("turning the track on: %w", b.told(err))
	}
	if state.Track != track {
		return b.wrong("asked to turn its track on as %s it says that it is %s", tracks[track], tracks[min(state.Track, link.TrackRunning+1)])
	}
	train := train{preamble: nmra.Preamble}
	if track == link.TrackProgramming {
		train.preamble = nmra.LongPreamble
	}
	for _, s := range nmra.PowerOn() {
		train.add(s.Packet, s.Times-1, s.Times-1, link.WindowDeaf)
		train.add(s.Packet, 1, 1, link.WindowAtRest)
	}
	answer, err := b.play(train)
	b.rest = tenths(answer.RestTenths)
	return err
}

// limit is the current that the track allows, in mA.
func (b *Board) limit() uint16 {
	if b.track == link.TrackRunning {
		return b.hello.RunningLimit
	}
	return min(b.hello.ProgrammingLimit, uint16(station.MostCurrent))
}

var tracks = [...]string{link.TrackOff: "off", link.TrackProgramming: "a programming track", link.TrackRunning: "a running track", 3: "neither"}

// turnOff turns the track off, also where the board was given up.
func (b *Board) turnOff() error {
	const advice = "see that its lamp is out, and else take its supply away; with no word from here it turns its track off after %d ms"
	if b.gone {
		return fmt.Errorf("turning the track off: %w", b.failed)
	}
	f, err := b.ask(b.request(link.Off), answerTime)
	if err != nil {
		return fmt.Errorf("turning the track off, "+advice+": %w", b.hello.SilenceMS, err)
	}
	state, err := b.stateOf(f)
	if err == nil && state.Track != link.TrackOff {
		err = b.wrong("asked to turn its track off it says that it is on, "+advice, b.hello.SilenceMS)
	}
	if err == nil {
		b.track, b.doubt, b.off = link.TrackOff, false, b.line.Now()
	}
	return err
}

// certain makes sure that a track that may have been cut is on.
func (b *Board) certain() error {
	b.poll()
	if b.failed != nil {
		return b.failed
	}
	if b.track == link.TrackOff || !b.doubt {
		return nil
	}
	return b.cut()
}

// told says why a request was refused that needs the track to be as this package believes that it is.
func (b *Board) told(err error) error {
	var r refusal
	if errors.As(err, &r) && r.Reason == link.ReasonTrackOff {
		if err := b.cut(); err != nil {
			return err
		}
	}
	return err
}

// cut asks the board whether it has turned its track off, and why. nil: it has not.
func (b *Board) cut() error {
	state, err := b.state()
	if err != nil {
		return err
	}
	b.doubt = false
	if state.Track == b.track {
		return nil
	}
	if state.Track != link.TrackOff {
		return b.wrong("it says that its track is %s, and nobody asked for that", tracks[state.Track])
	}
	limit, running := b.limit(), b.track == link.TrackRunning
	b.track, b.off = link.TrackOff, b.line.Now()
	switch current := tenths(state.HighestTenths); {
	case state.Cause == link.CauseAsked:
		return b.lost("%w", errAnew)
	case state.Cause == link.CauseSilence:
		return fmt.Errorf("%v: it turned its track off since it heard nothing for %d ms: this computer was asleep, or too busy: %w",
			b.Describe(), b.hello.SilenceMS, station.ErrLost)
	case running:
		return runningOverload{station.Overload{Current: current}, limit}
	default:
		return station.Overload{Current: current}
	}
}

// runningOverload is an overload of the running track.
type runningOverload struct {
	station.Overload
	limit uint16
}

func (o runningOverload) Error() string {
	return fmt.Sprintf("overload: %.0f mA on the running track, at most %d mA are allowed; its power is off", o.Current, o.limit)
}

func (o runningOverload) Unwrap() error { return o.Overload }

// tenths are tenths of a mA.
func tenths(t uint16) station.Milliamps { return station.Milliamps(t) / 10 }
