package board

import (
	"errors"
	"slices"
	"testing"
	"time"

	"fettle/station/board/link"
)

// turn is one turn of a conversation: what the host says, and what the board answers.
type turn struct {
	said    link.Type
	answers []func(said link.Frame) link.Frame
}

// says is a turn that is answered so.
func says(t link.Type, answers ...func(link.Frame) link.Frame) turn { return turn{t, answers} }

// with answers what was said with a payload.
func with(payload any) func(link.Frame) link.Frame {
	return func(said link.Frame) link.Frame {
		return link.NewFrame(said.Type|link.AnswerBit, said.Number, payload)
	}
}

// refuses answers with a refusal.
func refuses(reason, next uint8) func(link.Frame) link.Frame {
	return func(said link.Frame) link.Frame {
		return link.NewFrame(link.Refused|link.AnswerBit, said.Number, link.RefusedAnswer{Type: uint8(said.Type), Reason: reason, Next: next})
	}
}

// unasked is an event.
func unasked(f link.Frame) func(link.Frame) link.Frame {
	return func(link.Frame) link.Frame { return f }
}

// talk is a line at whose other end a conversation is held as it was written down. A State that it does not have next is a sign of
// life, and is not answered. Time passes when nothing comes, and 1 ms for each frame.
type talk struct {
	t      testing.TB
	turns  []turn
	reader link.Reader
	now    time.Duration
	coming []byte
	heard  []link.Frame    // all that the host has said
	at     []time.Duration // and when
	out    error           // the cable is
	open   bool
	plans  []plan
}

// plan is what happens at an instant.
type plan struct {
	at time.Duration
	do func()
}

func (l *talk) then(at time.Duration, do func()) { l.plans = append(l.plans, plan{at, do}) }

func conversation(t testing.TB, turns ...turn) *talk { return &talk{t: t, turns: turns, open: true} }

func (l *talk) Write(b []byte) (int, error) {
	if l.out != nil {
		return 0, l.out
	}
	for _, x := range b {
		f, ok := l.reader.Take(x)
		if !ok {
			continue
		}
		l.heard, l.at = append(l.heard, f), append(l.at, l.now)
		switch {
		case len(l.turns) > 0 && l.turns[0].said == f.Type:
			for _, answer := range l.turns[0].answers {
				l.coming = answer(f).Append(l.coming)
			}
			l.turns = l.turns[1:]
		case f.Type != link.State && f.Type&link.AnswerBit == 0 && f.Type != link.Off:
			l.t.Errorf("the host says %v, which is not what was written down: %d turns are left", f, len(l.turns))
		}
	}
	return len(b), nil
}

func (l *talk) Read(b []byte, wait time.Duration) (int, error) {
	if l.out != nil {
		return 0, l.out
	}
	if len(l.coming) == 0 {
		if until := l.now + wait; len(l.plans) > 0 && l.plans[0].at <= until {
			l.now = max(l.now, l.plans[0].at)
			l.plans[0].do()
			l.plans = l.plans[1:]
		} else {
			l.now = until
		}
		return 0, nil
	}
	end := slices.Index(l.coming, 0) + 1
	if end == 0 {
		end = len(l.coming)
	}
	n := copy(b, l.coming[:end])
	l.coming = l.coming[n:]
	l.now += time.Millisecond
	return n, nil
}

func (l *talk) Now() time.Duration { return l.now }

func (l *talk) Close() error {
	l.open = false
	return nil
}

// say has the board say something unasked.
func (l *talk) say(t link.Type, number uint8, payload any) {
	l.coming = link.NewFrame(t, number, payload).Append(l.coming)
}

// count is how many frames of a type the host has said.
func (l *talk) count(t link.Type) (n int) {
	for _, f := range l.heard {
		if f.Type == t {
			n++
		}
	}
	return n
}

// done holds that all was said.
func (l *talk) done() {
	l.t.Helper()
	if len(l.turns) > 0 {
		l.t.Errorf("%d turns were not reached, the next is %v", len(l.turns), l.turns[0].said)
	}
}

var errCable = errors.New("no such device")

// What an invented board says.
var (
	aBoard = link.HelloAnswer{Link: link.Version, Firmware: 1, Next: 40, Gates: 4, ProgrammingLimit: 250, RunningLimit: 900,
		ShortLimit: 1000, SilenceMS: 1000, MaxTrain: link.MaxPayload}
	isOff         = link.StateAnswer{SupplyTenths: 140}
	isProgramming = link.StateAnswer{Track: link.TrackProgramming, SupplyTenths: 140}
	isRunning     = link.StateAnswer{Track: link.TrackRunning, SupplyTenths: 140}
	played        = link.TrainAnswer{Flags: link.FlagWhole, RestTenths: 80, AirtimeMicros: 150_000}
	notWhole      = link.TrainAnswer{AirtimeMicros: 1000}
)

func isCut(cause uint8, highest uint16) link.StateAnswer {
	return link.StateAnswer{Cause: cause, HighestTenths: highest}
}

var greeting = []turn{says(link.Hello, with(aBoard)), says(link.State, with(isOff))}

// opened is a board that has been said hello to.
func opened(t testing.TB, turns ...turn) (*Board, *talk) {
	t.Helper()
	l := conversation(t, append(slices.Clone(greeting), turns...)...)
	b, err := New(l, "/dev/test")
	if err != nil {
		t.Fatal(err)
	}
	return b, l
}

// live is a board whose programming track is on.
func live(t testing.TB, turns ...turn) (*Board, *talk) {
	t.Helper()
	b, l := opened(t, append([]turn{says(link.On, with(isProgramming)), says(link.Train, with(played))}, turns...)...)
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	return b, l
}
