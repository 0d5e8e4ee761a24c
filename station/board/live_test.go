package board

import (
	"errors"
	"sync"
	"testing"
	"time"

	"fettle/station"
	"fettle/station/board/link"
)

// clocked is a conversation on a line on which time passes by itself.
type clocked struct {
	mu sync.Mutex
	*talk
	began time.Time
}

func (c *clocked) RealTime()          {}
func (c *clocked) Now() time.Duration { return time.Since(c.began) }

func (c *clocked) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.Now()
	return c.talk.Write(b)
}

func (c *clocked) Read(b []byte, wait time.Duration) (int, error) {
	for until := c.Now() + wait; ; time.Sleep(time.Millisecond) {
		c.mu.Lock()
		n := copy(b, c.coming)
		c.coming = c.coming[n:]
		c.mu.Unlock()
		if n > 0 || c.Now() >= until {
			return n, nil
		}
	}
}

// wait waits until something has been said often enough.
func (c *clocked) wait(t *testing.T, of link.Type, often int) {
	t.Helper()
	for until := c.Now() + 10*time.Second; c.Now() < until; time.Sleep(5 * time.Millisecond) {
		c.mu.Lock()
		n := c.count(of)
		c.mu.Unlock()
		if n >= often {
			return
		}
	}
	t.Fatalf("%v was not said %d times", of, often)
}

func TestWhereTimePassesByItselfTheBoardIsSpokenToBetweenAccesses(t *testing.T) {
	short := isCut(link.CauseShort, 12000)
	l := &clocked{began: time.Now(), talk: conversation(t, says(link.Hello, with(aBoard)), says(link.State, with(isOff)),
		says(link.On, with(isProgramming)), says(link.Train, with(played)),
		says(link.State, with(isProgramming)), says(link.State, with(isProgramming)))} // signs of life
	b, err := New(l, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.PowerOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	l.wait(t, link.State, 3)
	l.mu.Lock()
	l.say(link.Gate, 1, link.GateEvent{Gate: 1, Closed: 1})
	l.mu.Unlock()
	l.wait(t, link.Gate|link.AnswerBit, 1)
	// Whoever asks from here on, by a sign of life or to be certain, is told that the track is off.
	l.mu.Lock()
	l.turns = []turn{says(link.State, with(short)), says(link.State, with(short)), says(link.State, with(short)), says(link.State, with(short))}
	l.say(link.Cut, 2, link.CutEvent{Cause: link.CauseShort, HighestTenths: 12000})
	l.mu.Unlock()
	l.wait(t, link.Cut|link.AnswerBit, 1)
	if _, err := b.Service(t.Context(), verify); !errors.As(err, new(station.Overload)) {
		t.Error(err)
	}
	if e, err := b.Gate(t.Context()); err != nil || e.Gate != 1 {
		t.Errorf("%+v, %v", e, err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	said := len(l.heard)
	time.Sleep(400 * time.Millisecond)
	if len(l.heard) != said {
		t.Errorf("after it was closed %v was said", l.heard[said:])
	}
	for n := range l.at[1:] {
		if apart := l.at[n+1] - l.at[n]; l.heard[n].Type == link.State && n > 1 && apart > time.Second {
			t.Errorf("%v between %v and %v", apart, l.heard[n], l.heard[n+1])
		}
	}
}

// flooded is a line that brings one frame after the other, without a pause.
type flooded struct {
	*clocked
	from time.Duration // when that begins
}

func (f *flooded) Read(b []byte, wait time.Duration) (int, error) {
	if f.Now() < f.from {
		return f.clocked.Read(b, wait)
	}
	return copy(b, link.NewFrame(link.State|link.AnswerBit, 0, isOff).Append(nil)), nil
}

func TestALineThatNeverRestsKeepsNobodyWaiting(t *testing.T) {
	c := &clocked{began: time.Now(), talk: conversation(t, says(link.Hello, with(aBoard)), says(link.State, with(isOff)))}
	b, err := New(&flooded{c, 100 * time.Millisecond}, "")
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
	closed := make(chan error, 1)
	go func() { closed <- b.Close() }()
	select {
	case <-closed:
	case <-time.After(10 * time.Second):
		t.Fatal("it is not closed after 10 s")
	}
}
