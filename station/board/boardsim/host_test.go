package boardsim

import (
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station/bench"
	"fettle/station/board/firmware"
	"fettle/station/board/link"
)

// host is a host that asks frame by frame, and does nothing by itself.
type host struct {
	t      testing.TB
	board  *Board
	reader link.Reader
	number uint8
	next   uint8 // of the next On or Train
	events []link.Frame
}

// newHost makes a board with decoders on its track, and says hello.
func newHost(t testing.TB, decoders ...*bench.Decoder) *host {
	t.Helper()
	b, err := New(firmware.Image, bench.NewTrack(decoders...))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	h := &host{t: t, board: b}
	h.run(200 * time.Millisecond)
	h.hello()
	return h
}

func (h *host) hello() link.HelloAnswer {
	h.t.Helper()
	var a link.HelloAnswer
	h.ask(&a, link.Hello)
	h.next = a.Next
	return a
}

// run lets time pass, and takes in what the board says.
func (h *host) run(long time.Duration) {
	h.t.Helper()
	for until := h.board.Now() + long; h.board.Now() < until; {
		h.take(until-h.board.Now(), func(f link.Frame) bool { h.event(f); return false })
	}
}

// event keeps what the board says unasked, once, and answers it.
func (h *host) event(f link.Frame) {
	h.t.Helper()
	if f.Type == link.Gate || f.Type == link.Cut {
		if _, err := h.board.Write(link.NewFrame(f.Type|link.AnswerBit, f.Number).Append(nil)); err != nil {
			h.t.Fatal(err)
		}
	}
	if !slices.Contains(h.events, f) {
		h.events = append(h.events, f)
	}
}

// take takes in frames until one is the right one, or time is over.
func (h *host) take(wait time.Duration, right func(link.Frame) bool) bool {
	h.t.Helper()
	for until := h.board.Now() + wait; h.board.Now() < until; {
		var b [1]byte
		n, err := h.board.Read(b[:], until-h.board.Now())
		if err != nil {
			h.t.Fatal(err)
		}
		if n == 0 {
			continue
		}
		if f, ok := h.reader.Take(b[0]); ok && right(f) {
			return true
		}
	}
	return false
}

// ask sends a frame and takes its answer.
func (h *host) ask(answer any, kind link.Type, parts ...any) {
	h.t.Helper()
	h.number++
	number := h.number
	if kind == link.On || kind == link.Train {
		number = h.next
		h.next++
	}
	frame := link.NewFrame(kind, number, parts...)
	if _, err := h.board.Write(frame.Append(nil)); err != nil {
		h.t.Fatal(err)
	}
	ok := h.take(5*time.Second, func(f link.Frame) bool {
		if f.Number != number || f.Type != kind|link.AnswerBit && f.Type != link.Refused|link.AnswerBit {
			h.event(f)
			return false
		}
		if err := f.Decode(answer); err != nil {
			h.t.Fatalf("%v: answered by %v: %v", frame, f, err)
		}
		return true
	})
	if !ok {
		h.t.Fatalf("%v: no answer in 5 s", frame)
	}
}

// programming turns the programming track on as the adapter does.
func (h *host) programming() {
	h.t.Helper()
	var a link.StateAnswer
	h.ask(&a, link.On, link.OnRequest{Track: link.TrackProgramming, LimitMA: 250, AllowedMS: 100, ThresholdMA: 40, EnoughUS: 3000})
	if a.Track != link.TrackProgramming {
		h.t.Fatalf("turned on: %+v", a)
	}
}

func (h *host) running() {
	h.t.Helper()
	var a link.StateAnswer
	h.ask(&a, link.On, link.OnRequest{Track: link.TrackRunning, LimitMA: 900, AllowedMS: 100, ThresholdMA: 40, EnoughUS: 3000})
	if a.Track != link.TrackRunning {
		h.t.Fatalf("turned on: %+v", a)
	}
}

var windows = [...]uint8{nmra.Deaf: link.WindowDeaf, nmra.AfterSecond: link.WindowAfterSecond, nmra.Listening: link.WindowListening}

// train plays an access.
func (h *host) train(a nmra.Access) link.TrainAnswer {
	h.t.Helper()
	sequence, err := a.Sequence()
	if err != nil {
		h.t.Fatal(err)
	}
	parts := []any{link.TrainRequest{Preamble: nmra.LongPreamble}}
	for _, step := range sequence {
		head := link.StepHead{Head: uint8(step.Packet.Len()) | windows[step.Window]<<3, Times: uint8(step.Times), Least: uint8(step.Least)}
		parts = append(parts, head, step.Packet.Append(nil))
	}
	var answer link.TrainAnswer
	h.ask(&answer, link.Train, parts...)
	return answer
}

func (h *host) state() link.StateAnswer {
	h.t.Helper()
	var a link.StateAnswer
	h.ask(&a, link.State)
	return a
}
