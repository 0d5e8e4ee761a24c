package board

import (
	"errors"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board/link"
	"fettle/station/port"
)

// noise is a line that gives any bytes, so many after each read, whatever is said.
type noise struct {
	bytes []byte
	now   time.Duration
}

func (n *noise) Write(b []byte) (int, error) { return len(b), nil }
func (n *noise) Now() time.Duration          { return n.now }
func (n *noise) Close() error                { return nil }

func (n *noise) Read(b []byte, wait time.Duration) (int, error) {
	if len(n.bytes) == 0 {
		n.now += wait
		return 0, nil
	}
	n.now += time.Millisecond
	count := copy(b, n.bytes[:min(len(n.bytes), 1+int(n.bytes[0])%40)])
	n.bytes = n.bytes[count:]
	return count, nil
}

func FuzzAnyBytesEndInAnAnswerOrAnErrorOfTheStation(f *testing.F) {
	b, l := live(f, says(link.Train, with(played)))
	if _, err := b.Service(f.Context(), verify); err != nil {
		f.Fatal(err)
	}
	// What the board of that conversation said, for the numbers that the host below counts too.
	var said []byte
	for _, frame := range l.heard {
		for _, answer := range []any{aBoard, isProgramming, isOff, played} {
			said = link.NewFrame(frame.Type|link.AnswerBit, frame.Number, answer).Append(said)
		}
	}
	f.Add(said)
	f.Add(link.NewFrame(link.Started, 0, link.StartedEvent{}).Append(said))
	f.Add([]byte{0, 1, 0, 0xFF, 3})
	f.Fuzz(func(t *testing.T, bytes []byte) { everything(t, &noise{bytes: bytes}, 10*time.Minute) })
}

// everything does all that a board can do, and holds that it ends, in the right kind of error.
func everything(t *testing.T, line port.Line, most time.Duration) {
	b, err := New(line, "")
	check := func(what string, err error) {
		if err != nil && !errors.Is(err, station.ErrStation) && !errors.As(err, new(station.Overload)) {
			t.Errorf("%s: %v", what, err)
		}
	}
	check("hello", err)
	if err == nil {
		_, err = b.PowerOn(t.Context())
		check("power on", err)
		_, err = b.Service(t.Context(), nmra.Access{Mode: nmra.Paged, Operation: nmra.Verify, CV: 8})
		check("service", err)
		check("send", b.Send(t.Context(), idle, 2))
		for _, c := range b.Checks() {
			_, err := c.Run(t.Context())
			check(c.Name, err)
		}
		check("close", b.Close())
	}
	if line.Now() > most {
		t.Errorf("it took %v", line.Now())
	}
}

// answers is a line that answers each frame with any frame: right in its CRC, its length and mostly its number, and in nothing else.
type answers struct {
	noise
	reader link.Reader
	plan   []byte
}

// next is a byte of the plan; 0 when it is over.
func (a *answers) next() (x byte) {
	if len(a.plan) > 0 {
		x, a.plan = a.plan[0], a.plan[1:]
	}
	return x
}

func (a *answers) Write(b []byte) (int, error) {
	for _, x := range b {
		f, ok := a.reader.Take(x)
		if !ok || len(a.plan) == 0 {
			continue
		}
		kinds := [...]link.Type{f.Type | link.AnswerBit, link.Refused | link.AnswerBit, link.Gate, link.Cut, link.Started, link.State | link.AnswerBit}
		kind, number := kinds[int(a.next())%len(kinds)], f.Number
		if kind < link.AnswerBit {
			number = a.next()
		}
		least, _, ok := kind.Lengths()
		if !ok {
			continue // an answer to an answer
		}
		payload := make([]byte, least)
		for i := range payload {
			payload[i] = a.next()
		}
		a.bytes = link.NewFrame(kind, number, payload).Append(a.bytes)
	}
	return len(b), nil
}

func FuzzAnyAnswersEndInAnAnswerOrAnErrorOfTheStation(f *testing.F) {
	greeted := append([]byte{0}, link.NewFrame(link.Hello, 0, aBoard).Payload()...)
	off := append([]byte{0}, link.NewFrame(link.State, 0, isOff).Payload()...)
	on := append([]byte{0}, link.NewFrame(link.State, 0, isProgramming).Payload()...)
	train := append([]byte{0}, link.NewFrame(link.Train, 0, played).Payload()...)
	plan := slices.Concat(greeted, off, on, train)
	f.Add(plan)
	f.Add(slices.Concat(plan, train, off, on, train, train, off, on, on))
	f.Add(slices.Concat(plan, []byte{1, byte(link.Train), link.ReasonTrackOff, 42}, off))
	f.Add(slices.Concat(plan, []byte{3, 1, 2, 0, 0}, train, on))
	f.Fuzz(func(t *testing.T, plan []byte) { everything(t, &answers{plan: plan}, 10*time.Minute) })
}
