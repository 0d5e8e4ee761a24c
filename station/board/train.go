package board

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board/link"
)

// settling is how long idle packets follow a packet to a running track, so that a decoder's memory can be updated. Our own choice.
const settling = 50 * time.Millisecond

// startTrain is how long the board may be held up before it starts a train: by a packet that it has begun by itself.
const startTrain = 15 * time.Millisecond

// Service has the board play the packets of an access and listen. An access that has begun is done whole, unless the power fails. On a
// running track see the package's comment.
func (b *Board) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	sequence, err := a.Sequence()
	if err != nil {
		return station.Answer{}, err
	}
	if err := b.ready(ctx, link.TrackProgramming); err != nil {
		return station.Answer{}, err
	}
	t := train{preamble: nmra.LongPreamble}
	for _, s := range sequence {
		t.add(s.Packet, s.Times, s.Least, windows[s.Window])
	}
	got, err := b.play(t)
	answer := station.Answer{Rest: tenths(got.RestTenths), Airtime: time.Duration(got.AirtimeMicros) * time.Microsecond}
	if err == nil && got.Flags&link.FlagAcknowledged != 0 {
		answer.Acknowledged = true
		answer.Pulse, answer.Height = time.Duration(got.AboveMicros)*time.Microsecond, tenths(got.HeightTenths)
	}
	return answer, err
}

var windows = [...]uint8{nmra.Deaf: link.WindowDeaf, nmra.AfterSecond: link.WindowAfterSecond, nmra.Listening: link.WindowListening}

// Send sends a packet to the running track, 1 to 255 times, and idle packets after it until a decoder's memory has had time to be
// updated. A programming track is turned off and comes on again as a running track first: see the package's comment.
func (b *Board) Send(ctx context.Context, p nmra.Packet, times int) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Len() == 0 || times < 1 || times > most {
		return fmt.Errorf("sending packet %q %d times: want a packet with bytes, 1 to %d times", p, times, most)
	}
	if err := b.ready(ctx, link.TrackRunning); err != nil {
		return err
	}
	t := train{preamble: nmra.ApartPreamble}
	t.add(p, times, times, link.WindowDeaf)
	idles := int(settling/idle.Airtime(nmra.ApartPreamble)) + 1
	t.add(idle, idles, idles, link.WindowDeaf)
	_, err := b.play(t)
	return err
}

var idle, _ = nmra.Instruction{Kind: nmra.Idle}.Encode()

// train is what the board plays in one go.
type train struct {
	preamble uint8
	steps    []step
}

type step struct {
	packet       nmra.Packet
	times, least int
	window       uint8
}

// most is how often a step can be sent: one byte says it.
const most = 255

// add adds a step. Where nothing is listened for, it is one with an equal step before it: how often that is sent is decided before the
// first of the two.
func (t *train) add(p nmra.Packet, times, least int, window uint8) {
	if n := len(t.steps) - 1; n >= 0 && window == link.WindowDeaf {
		if last := &t.steps[n]; last.packet == p && last.window == window && last.times+times <= most {
			last.times, last.least = last.times+times, last.least+least
			return
		}
	}
	t.steps = append(t.steps, step{p, times, least, window})
}

// airtime is how long the train is on the track where nothing is acknowledged.
func (t *train) airtime() (sum time.Duration) {
	for _, s := range t.steps {
		sum += time.Duration(s.times) * s.packet.Airtime(int(t.preamble))
	}
	return sum
}

// parts are the train as link has it.
func (t *train) parts() []any {
	parts := []any{link.TrainRequest{Preamble: t.preamble}}
	for _, s := range t.steps {
		head := link.StepHead{Head: uint8(s.packet.Len()) | s.window<<3, Times: uint8(s.times), Least: uint8(s.least)}
		parts = append(parts, head, s.packet.Append(nil))
	}
	return parts
}

// play has the board play a train.
func (b *Board) play(t train) (got link.TrainAnswer, err error) {
	if err := b.once(link.Train, t.airtime()+startTrain+answerTime, &got, t.parts()...); err != nil {
		return got, b.told(err)
	}
	if got.Flags&^(link.FlagWhole|link.FlagAcknowledged) != 0 {
		return got, b.wrong("it says of a train what can't be: flags %#02x", got.Flags)
	}
	if got.Flags&link.FlagWhole == 0 {
		if err := b.cut(); err != nil {
			return got, err
		}
		return got, b.wrong("it has not played a train to its end, and says that its track is on")
	}
	return got, nil
}
