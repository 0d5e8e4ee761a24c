package prog

import (
	"context"
	"errors"
	"fmt"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// errNoRecorder is a fault of the program that called, not of the decoder.
var errNoRecorder = errors.New("this session may not write: it has nowhere to record the old value")

// attempts is how often a value that does not stay is written before it counts as not to be had.
const attempts = 3

// Change is what came of writing a register.
type Change struct {
	Before       Reading
	After        Reading
	Tried        bool // something was written
	Acknowledged bool // most of the writes were acknowledged
}

// Write sets a register and reads it back. Nothing is written where the old value can't be read, or where the register holds the
// value already. Before anything is written the old value of the register, and of each that the decoder changes along with it,
// is recorded. Errors: those of [Session.Read] and of the recorder.
func (s *Session) Write(ctx context.Context, r cv.Register, value uint8) (Change, error) {
	return s.write(ctx, r, value, false)
}

// write is Write; again makes it write what the register holds already.
func (s *Session) write(ctx context.Context, r cv.Register, value uint8, again bool) (Change, error) {
	before, err := s.Read(ctx, r)
	if err == nil && r.Indexed() && before.State == Proven {
		_, err = s.turnTo(ctx, r.Page) // Read may have known the value from before another page was turned to
	}
	if err != nil || before.State != Proven || before.Value == value && !again {
		return Change{Before: before, After: before}, err
	}
	return s.set(ctx, before, value)
}

// set writes a register whose value is known, as it stands on the page that is chosen, until it holds the new one or has been
// written often enough.
func (s *Session) set(ctx context.Context, before Reading, value uint8) (Change, error) {
	r, w := before.Register, Change{Before: before, After: before}
	if err := s.record(ctx, r, before.Value, value); err != nil {
		return w, fmt.Errorf("writing %d to register %v: %w", value, r, err)
	}
	acknowledgements := 0
	for try := 1; try <= attempts; try++ {
		w.Tried = true
		acknowledged, after, err := s.put(ctx, r, value, value, before.Value)
		w.After = after
		if err != nil {
			return w, err
		}
		if acknowledged {
			acknowledgements++
		}
		w.Acknowledged = 2*acknowledgements > try
		if w.After.State == Proven && w.After.Value == value {
			return w, nil
		}
	}
	return w, nil
}

// put writes a register once, as it stands on the page that is chosen, and reads it back. What it held has been recorded. likely
// is what it may hold then.
func (s *Session) put(ctx context.Context, r cv.Register, value uint8, likely ...uint8) (acknowledged bool, after Reading, err error) {
	delete(s.held, r)
	for _, other := range changedBy(r) {
		delete(s.held, other)
	}
	acknowledged, err = s.do(ctx, nmra.Access{Mode: s.mode, Operation: nmra.Write, CV: r.CV, Value: value})
	if err != nil {
		return false, Reading{Register: r}, err
	}
	after, err = s.prove(ctx, r, Hint{Values: likely})
	return acknowledged, after, err
}

// record keeps the old values, and what is about to be written.
func (s *Session) record(ctx context.Context, r cv.Register, old, value uint8) error {
	if s.recorder == nil {
		return errNoRecorder
	}
	if err := s.soleDecoder(ctx); err != nil {
		return err
	}
	held := cv.Values{r: old}
	for _, other := range changedBy(r) {
		also, err := s.Read(ctx, other)
		if err != nil {
			return err
		}
		switch also.State {
		case Unsure:
			return fmt.Errorf("it changes register %v too, whose old value could not be proven", other)
		case Proven:
			held[other] = also.Value
		}
	}
	if err := s.recorder.Held(held); err != nil {
		return err
	}
	return s.recorder.Writing(r, value)
}

// Locked is the error of a decoder that takes no writes, since its lock is closed (S-9.2.2, CV 15 and 16).
type Locked struct{ Lock, Key uint8 }

func (e Locked) Error() string {
	return fmt.Sprintf("the decoder is locked: register 15 holds %d and 16 holds %d; write %d to 15 to unlock it", e.Lock, e.Key, e.Key)
}

// lock fails where the decoder is locked, so that nothing can be written. Errors: [Locked], those of [Session.Read].
func (s *Session) lock(ctx context.Context) error {
	lock, err := s.Read(ctx, cv.Register{CV: cv.LockKey})
	if err != nil || lock.State != Proven {
		return err
	}
	key, err := s.Read(ctx, cv.Register{CV: cv.LockNumber})
	if err == nil && key.State == Proven && key.Value != lock.Value {
		err = Locked{lock.Value, key.Value}
	}
	return err
}

// changedBy lists the registers that a decoder changes of itself when r is written: writing CV 1 clears CV 19 and bit 5 of
// CV 29 (S-9.2.3).
func changedBy(r cv.Register) []cv.Register {
	if r.CV == 1 {
		return []cv.Register{{CV: 19}, {CV: 29}}
	}
	return nil
}

// indexHigh and indexLow choose the index page (S-9.2.2).
var (
	indexHigh = cv.Register{CV: 31}
	indexLow  = cv.Register{CV: 32}
)

// turnTo chooses an index page; the zero page is the one that was chosen when the session began. It says false where the
// decoder has no such page: CV 31 and 32 are absent, or don't take it.
func (s *Session) turnTo(ctx context.Context, page cv.Page) (bool, error) {
	if page == (cv.Page{}) {
		return true, s.Restore(ctx)
	}
	high, err := s.here(ctx, indexHigh)
	if err != nil || high.State != Proven {
		return false, err
	}
	low, err := s.here(ctx, indexLow)
	if err != nil || low.State != Proven {
		return false, err
	}
	if s.home == nil {
		s.home = &cv.Page{High: high.Value, Low: low.Value}
	}
	return s.choose(ctx, page)
}

// Restore puts CV 31 and 32 back to what they were before the session turned to a page, and the page register of paged mode to
// 1. Where the session touched neither, it does nothing.
func (s *Session) Restore(ctx context.Context) error {
	if s.home == nil {
		return s.leavePages(ctx)
	}
	if ok, err := s.choose(ctx, *s.home); err != nil {
		return err
	} else if !ok {
		return fmt.Errorf("registers 31 and 32 can't be put back to %d and %d: write them by hand", s.home.High, s.home.Low)
	}
	return s.leavePages(ctx)
}

// here reads a register without a look at pages.
func (s *Session) here(ctx context.Context, r cv.Register) (Reading, error) {
	if v, ok := s.held[r]; ok {
		return Reading{Register: r, State: Proven, Value: v}, nil
	}
	return s.prove(ctx, r, s.hint(r))
}

func (s *Session) choose(ctx context.Context, page cv.Page) (bool, error) {
	for _, want := range []struct {
		cv.Register
		value uint8
	}{{indexHigh, page.High}, {indexLow, page.Low}} {
		before, err := s.here(ctx, want.Register)
		if err != nil {
			return false, err
		}
		if before.State == Proven && before.Value == want.value {
			continue
		}
		if before.State != Proven {
			return false, nil
		}
		w, err := s.set(ctx, before, want.value)
		if err != nil {
			return false, err
		}
		if w.After.State != Proven || w.After.Value != want.value {
			return false, nil
		}
	}
	return true, nil
}
