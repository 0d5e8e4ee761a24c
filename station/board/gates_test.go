package board

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/station"
	"fettle/station/board/link"
)

func edge(gate int, closed bool, at time.Duration) station.GateEdge {
	return station.GateEdge{Gate: gate, Closed: closed, At: at}
}

func TestEachEdgeIsAnsweredAndTakenOnce(t *testing.T) {
	b, l := opened(t)
	l.say(link.Gate, 200, link.GateEvent{Gate: 2, Closed: 1, ClockMicros: 1000})
	l.say(link.Gate, 200, link.GateEvent{Gate: 2, Closed: 1, ClockMicros: 1000}) // again, since the answer was lost
	l.say(link.Gate, 201, link.GateEvent{Gate: 1, Closed: 1, ClockMicros: 1000}) // another gate at the same instant
	l.say(link.Gate, 202, link.GateEvent{Gate: 2, Closed: 0, ClockMicros: 9000})
	l.say(link.Gate, 201, link.GateEvent{Gate: 1, Closed: 1, ClockMicros: 1000}) // late
	l.say(link.Gate, 203, link.GateEvent{Gate: 3, Closed: 1, ClockMicros: 12_000})
	want := []station.GateEdge{edge(2, true, time.Millisecond), edge(1, true, time.Millisecond), edge(2, false, 9*time.Millisecond),
		edge(3, true, 12*time.Millisecond)}
	for _, want := range want {
		if got, err := b.Gate(t.Context()); err != nil || got != want {
			t.Fatalf("%+v, %v, want %+v", got, err, want)
		}
	}
	if n := l.count(link.Gate | link.AnswerBit); n != 6 {
		t.Errorf("%d answers to 6 events", n)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	if got, err := b.Gate(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("one more: %+v, %v", got, err)
	}
}

func TestEdgesThatComeDuringATrainWaitInTheirOrder(t *testing.T) {
	gate := func(number, gate uint8, micros uint32) func(link.Frame) link.Frame {
		return unasked(link.NewFrame(link.Gate, number, link.GateEvent{Gate: gate, Closed: 1, ClockMicros: micros}))
	}
	b, l := live(t, says(link.Train, gate(1, 1, 500), gate(2, 2, 700), with(played)))
	if _, err := b.Service(t.Context(), verify); err != nil {
		t.Fatal(err)
	}
	l.done()
	for n := range 2 {
		if got, err := b.Gate(t.Context()); err != nil || got.Gate != n+1 {
			t.Errorf("%+v, %v", got, err)
		}
	}
}

func TestAnEdgeOfTheTimeBeforeIsNobodys(t *testing.T) {
	late := isOff
	late.ClockMicros = 50_000_000
	l := conversation(t, says(link.Hello, with(aBoard)), says(link.State, with(late)))
	b, err := New(l, "")
	if err != nil {
		t.Fatal(err)
	}
	l.say(link.Gate, 7, link.GateEvent{Gate: 1, Closed: 1, ClockMicros: 49_999_999})
	l.say(link.Gate, 8, link.GateEvent{Gate: 2, Closed: 1, ClockMicros: 50_000_001})
	if got, err := b.Gate(t.Context()); err != nil || got.Gate != 2 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestAnEventThatCannotBeIsDroppedAsADamagedOneIs(t *testing.T) {
	b, l := opened(t)
	l.say(link.Gate, 1, link.GateEvent{Gate: 0, ClockMicros: 10})
	l.say(link.Gate, 2, link.GateEvent{Gate: 5, ClockMicros: 20})
	l.say(link.Gate, 3, link.GateEvent{Gate: 1, Closed: 2, ClockMicros: 30})
	l.say(link.Gate, 4, link.GateEvent{Gate: 4, Closed: 1, ClockMicros: 40})
	if got, err := b.Gate(t.Context()); err != nil || got.Gate != 4 {
		t.Errorf("%+v, %v", got, err)
	}
	if n := l.count(link.Gate | link.AnswerBit); n != 1 {
		t.Errorf("%d answers", n)
	}
}

func TestTheBoardsClockIsFollowedWhereItWraps(t *testing.T) {
	var c clock
	c.follow(4_294_000_000, 0) // 967 296 µs before it wraps
	for _, step := range []struct {
		micros uint32
		now    time.Duration
		want   time.Duration
	}{
		{4_294_500_000, time.Second, 4_294_500_000},
		{32_704, time.Second, 4_295_000_000},
		{4_294_900_000, 2 * time.Second, 4_294_900_000},            // one that came late
		{1_000_000_000, 1006 * time.Second, 5_294_967_296},         // a quarter of an hour of nothing later
		{1_000_000_000, (1006 + 4295) * time.Second, 9589_934_592}, // and once around
	} {
		if got := c.at(step.micros, step.now); got != step.want*time.Microsecond {
			t.Errorf("%d after %v is %v, want %v", step.micros, step.now, got, step.want*time.Microsecond)
		}
	}
}

func TestNoEdgeIsLostSilently(t *testing.T) {
	b, l := opened(t)
	for n := range mostEdges + 5 {
		l.say(link.Gate, uint8(n), link.GateEvent{Gate: 1, Closed: uint8(n) & 1, ClockMicros: uint32(n)})
	}
	for len(l.coming) > 0 {
		b.mu.Lock()
		b.poll()
		b.mu.Unlock()
	}
	var got []time.Duration
	for n := 0; n <= mostEdges; n++ {
		e, err := b.Gate(t.Context())
		if err != nil {
			if !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "lost, 5 in all") {
				t.Error(err)
			}
			break
		}
		got = append(got, e.At)
	}
	if len(got) != mostEdges || !slices.IsSorted(got) || got[0] != 0 {
		t.Errorf("%d edges", len(got))
	}
	l.say(link.Gate, (mostEdges+5)%256, link.GateEvent{Gate: 3, Closed: 1, ClockMicros: 5000})
	if e, err := b.Gate(t.Context()); err != nil || e.Gate != 3 {
		t.Errorf("after the loss has been told: %+v, %v", e, err)
	}
}

func TestEdgesThatTheBoardHadNoRoomForAreSaidToBeLost(t *testing.T) {
	b, l := opened(t)
	l.say(link.Gate, 254, link.GateEvent{Gate: 1, Closed: 1, ClockMicros: 100})
	l.say(link.Cut, 255, link.CutEvent{})
	l.say(link.Gate, 2, link.GateEvent{Gate: 2, Closed: 1, ClockMicros: 200}) // 0 and 1 are left out
	l.say(link.Cut, 255, link.CutEvent{})                                     // late
	l.say(link.Cut, 3, link.CutEvent{})
	l.say(link.Gate, 204, link.GateEvent{Gate: 3, Closed: 1, ClockMicros: 300}) // and then 200 are
	for _, want := range []any{1, "lost, 2 in all", 2, "lost, 200 in all", 3} {
		e, err := b.Gate(t.Context())
		if gate, ok := want.(int); ok && (err != nil || e.Gate != gate) {
			t.Errorf("%+v, %v, want gate %d", e, err, gate)
		}
		if words, ok := want.(string); ok && (!errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), words)) {
			t.Errorf("%+v, %v, want %q", e, err, words)
		}
	}
	// From its start the board counts from 0.
	l.say(link.Started, 0, link.StartedEvent{})
	l.say(link.Gate, 1, link.GateEvent{Gate: 4, Closed: 1, ClockMicros: 50})
	if _, err := b.Gate(t.Context()); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "lost, 1 in all") {
		t.Error(err)
	}
	if e, err := b.Gate(t.Context()); err != nil || e.Gate != 4 {
		t.Errorf("%+v, %v", e, err)
	}
}

func TestAGateIsWaitedForWhileThePacketsGoOn(t *testing.T) {
	b, l := live(t, says(link.Off, with(isOff)), says(link.On, with(isRunning)), says(link.Train, with(played)), says(link.Train, with(played)))
	edges := make(chan station.GateEdge)
	go func() {
		e, err := b.Gate(t.Context())
		if err != nil {
			t.Error(err)
		}
		edges <- e
	}()
	if err := b.Send(t.Context(), idle, 2); err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	l.say(link.Gate, 0, link.GateEvent{Gate: 2, Closed: 1})
	b.mu.Unlock()
	if e := <-edges; e.Gate != 2 {
		t.Errorf("%+v", e)
	}
}
