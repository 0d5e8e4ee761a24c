package board

import (
	"errors"
	"fmt"
	"time"

	"fettle/station/board/link"
)

// Times of the exchange. All are our own choice.
const (
	answerTime = 100 * time.Millisecond // for the frames on the line, and for whatever holds them up
	tries      = 4                      // how often a request is sent
	signEvery  = 250 * time.Millisecond // a sign of life while the track is on
	pollEvery  = 50 * time.Millisecond  // on a line on which time passes by itself
)

// refusal is the error of a request that the board refused.
type refusal struct{ link.RefusedAnswer }

func (r refusal) Error() string {
	return fmt.Sprintf("it refuses %v: %s", link.Type(r.Type), reasons[r.Reason])
}

var reasons = map[uint8]string{
	link.ReasonMalformed: "it does not understand it",
	link.ReasonNumber:    "it is not the next one",
	link.ReasonTrackOff:  "its track is off",
	link.ReasonTrackOn:   "its track is on already",
	link.ReasonLimit:     "it is beyond what is built in",
}

// request makes a request that may be done twice.
func (b *Board) request(t link.Type) link.Frame {
	b.number++
	return link.NewFrame(t, b.number)
}

// once has the board do a request that must not be done twice, and takes in the answer.
func (b *Board) once(t link.Type, within time.Duration, answer any, parts ...any) error {
	f, err := b.ask(link.NewFrame(t, b.next, parts...), within)
	if err != nil {
		return err
	}
	b.next++
	if err := f.Decode(answer); err != nil {
		return b.wrong("%w", err)
	}
	return nil
}

// ask sends a request until its answer comes, and waits for it so long each time. Answers to anything else are passed over. Errors:
// [station.ErrLost] where none comes, or the board has started anew; a refusal.
func (b *Board) ask(request link.Frame, within time.Duration) (link.Frame, error) {
	for range tries {
		if err := b.say(request); err != nil {
			return link.Frame{}, err
		}
		for until := b.line.Now() + within; ; {
			f, ok, err := b.hear(until)
			if err != nil {
				return link.Frame{}, err
			}
			if b.failed != nil && request.Type != link.Off {
				return link.Frame{}, b.failed
			}
			if !ok {
				break
			}
			if f.Number != request.Number {
				continue
			}
			if f.Type == request.Type|link.AnswerBit {
				return f, nil
			}
			if f.Type == link.Refused|link.AnswerBit {
				var r refusal
				if err := f.Decode(&r.RefusedAnswer); err == nil && link.Type(r.Type) == request.Type {
					return link.Frame{}, b.refused(r)
				}
			}
		}
	}
	return link.Frame{}, b.lost("it has not answered %v, sent %d times: see that its cable is in and that it has power", request.Type, tries)
}

// refused says what a refusal means.
func (b *Board) refused(r refusal) error {
	switch t := link.Type(r.Type); {
	case (t == link.On || t == link.Train) && (r.Reason == link.ReasonNumber || r.Next != b.next):
		return b.lost("%w", errAnew)
	case reasons[r.Reason] == "":
		return b.wrong("it refuses %v for a reason that there is not: %d", t, r.Reason)
	}
	return b.wrong("%w", r)
}

var errAnew = errors.New("the board has started anew, its track is off: see that its supply and its USB cable hold")

// say sends a frame.
func (b *Board) say(f link.Frame) error {
	line := f.Append(nil)
	n, err := b.line.Write(line)
	if err == nil && n < len(line) {
		err = fmt.Errorf("only %d of %d bytes could be written", n, len(line))
	}
	if err != nil {
		return b.unplugged(err)
	}
	b.said = b.line.Now()
	return nil
}

// hear waits for the next frame that is no event, until an instant. Events are answered meanwhile, and while the track is on the board is
// given signs of life.
func (b *Board) hear(until time.Duration) (f link.Frame, ok bool, err error) {
	for {
		for f, ok = b.frame(); ok; f, ok = b.frame() {
			event, err := b.event(f)
			if err != nil {
				return f, false, err
			}
			if f.Type == link.State|link.AnswerBit {
				s, err := b.stateOf(f)
				b.doubt = b.doubt || err != nil || s.Track != b.track
			}
			if !event {
				return f, true, nil
			}
		}
		now := b.line.Now()
		wait := until - now
		if b.track != link.TrackOff && !b.silent {
			if now-b.said >= signEvery {
				if err := b.say(b.request(link.State)); err != nil {
					return f, false, err
				}
			}
			wait = min(wait, b.said+signEvery-now)
		}
		var buffer [256]byte
		n, err := b.line.Read(buffer[:], max(wait, 0))
		if err != nil {
			return f, false, b.unplugged(err)
		}
		b.in = append(b.in, buffer[:max(n, 0)]...)
		// What has come in by then counts, however late this program is; but not for ever.
		if now := b.line.Now(); now >= until && n <= 0 || now >= until+answerTime {
			return f, false, nil
		}
	}
}

// wait lets time pass, and takes in what comes.
func (b *Board) wait(long time.Duration) error {
	for until := b.line.Now() + long; b.line.Now() < until; {
		if _, _, err := b.hear(until); err != nil {
			return err
		}
		if b.failed != nil {
			return b.failed
		}
	}
	return nil
}

// frame takes the next frame out of what has come in.
func (b *Board) frame() (f link.Frame, ok bool) {
	for n, x := range b.in {
		if f, ok = b.reader.Take(x); ok {
			b.in = b.in[n+1:]
			return f, true
		}
	}
	b.in = b.in[:0]
	return f, false
}

// event takes in what the board says unasked, and says whether it was that.
func (b *Board) event(f link.Frame) (bool, error) {
	switch f.Type {
	case link.Started:
		b.gates.anew()
		b.anew = true
		if b.track != link.TrackOff {
			b.lost("%w", errAnew)
		}
		return true, nil
	case link.Gate:
		var g link.GateEvent
		if err := f.Decode(&g); err != nil || b.silent || g.Gate == 0 || g.Gate > b.hello.Gates || g.Closed > 1 {
			return true, nil // one that can't be is dropped as a damaged one is: no answer
		}
		b.gates.take(f.Number, g, b.line.Now())
	case link.Cut:
		if b.silent {
			return true, nil
		}
		b.gates.pass(f.Number)
		b.doubt = true // it may be of the time before: State says how it is now
	default:
		return false, nil
	}
	return true, b.say(link.NewFrame(f.Type|link.AnswerBit, f.Number))
}

// state asks how the board is.
func (b *Board) state() (s link.StateAnswer, err error) {
	f, err := b.ask(b.request(link.State), answerTime)
	if err != nil {
		return s, err
	}
	return b.stateOf(f)
}

func (b *Board) stateOf(f link.Frame) (s link.StateAnswer, err error) {
	if err := f.Decode(&s); err != nil {
		return s, b.wrong("%w", err)
	}
	if s.Track > link.TrackRunning || s.Cause > link.CauseSilence {
		return s, b.wrong("it says that its track is in state %d, for cause %d, and there are no such", s.Track, s.Cause)
	}
	b.gates.clock.follow(s.ClockMicros, b.line.Now())
	return s, nil
}

// live gives signs of life and answers events on a line on which time passes by itself.
func (b *Board) live() {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		select {
		case <-b.done:
			return
		case <-tick.C:
			b.mu.Lock()
			b.poll()
			b.mu.Unlock()
		}
	}
}

// poll takes in what has come, and gives a sign of life where it is time for one. What fails is told to the next one who wants something.
func (b *Board) poll() {
	if b.failed != nil || b.closed {
		return
	}
	until := b.line.Now() // once, so that a line which never rests keeps nobody waiting for long
	for ok := true; ok && b.failed == nil; {
		_, ok, _ = b.hear(until)
	}
}
