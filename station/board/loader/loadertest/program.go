//go:build linux

package loadertest

import (
	"errors"
	"time"

	"fettle/station/board/link"
)

// program is the board's own, as far as it takes to say hello: its track is off and stays off. It ends with errAnew.
func (b *Board) program() error {
	runs := b.fake.Firmware > 0 && b.Flash()[0] != 0xFF
	if runs {
		if err := b.say(link.NewFrame(link.Started, 0, link.StartedEvent{})); err != nil {
			return err
		}
	}
	var reader link.Reader
	for {
		c, err := b.next(time.Second)
		if errors.Is(err, errQuiet) {
			continue
		}
		if err != nil {
			return err
		}
		f, whole := reader.Take(c)
		if !whole || !runs {
			continue
		}
		var answer any
		switch f.Type {
		case link.Hello:
			answer = link.HelloAnswer{Link: link.Version, Firmware: b.fake.Firmware, Gates: 4, ProgrammingLimit: 250, RunningLimit: 900,
				ShortLimit: 1000, SilenceMS: 1000, MaxTrain: link.MaxPayload}
		case link.State, link.Off:
			answer = link.StateAnswer{SupplyTenths: 142}
		default:
			continue
		}
		if err := b.say(link.NewFrame(f.Type|link.AnswerBit, f.Number, answer)); err != nil {
			return err
		}
	}
}

func (b *Board) say(f link.Frame) error {
	_, err := b.line.Write(f.Append(nil))
	return err
}
