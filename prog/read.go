package prog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// ReadState says what came of reading a register.
type ReadState uint8

const (
	Unsure ReadState = iota // could not be proven within the bound
	Proven                  // the decoder holds Value
	Absent                  // the decoder has no such register
)

// String is the state in a word.
func (s ReadState) String() string {
	switch s {
	case Proven:
		return "proven"
	case Absent:
		return "absent"
	}
	return "unsure"
}

// Reading is what a register was found to hold.
type Reading struct {
	Register cv.Register
	State    ReadState
	Value    uint8   // where State is Proven
	Wrong    float64 // the chance that this is not so
}

// After so many questions a register counts as unsure. With whole bytes alone each of 256 values has to be asked for.
const (
	patience          = 500
	patienceWholeByte = 4000
)

// Read finds out what a register holds, and proves it: by verifies that the decoder acknowledges, until the chance of a
// wrong value is within the session's bound. What is likely is asked first. Where the register is on an index page, CV 31 and 32 are
// set to it; [Session.Restore] puts them back. Errors: those of the recorder and of the station.
func (s *Session) Read(ctx context.Context, r cv.Register, likely ...uint8) (Reading, error) {
	if got, done, err := s.already(ctx, r); done || err != nil {
		return got, err
	}
	return s.prove(ctx, r, s.hint(r, likely...))
}

// already says what is known of a register without a question. Where nothing is, it turns to the page that the register is on.
func (s *Session) already(ctx context.Context, r cv.Register) (got Reading, done bool, err error) {
	if r == indexHigh || r == indexLow {
		err = s.Restore(ctx) // what they hold meanwhile is the session's own doing
	}
	if v, ok := s.held[r]; ok || err != nil {
		return Reading{Register: r, State: Proven, Value: v}, true, err
	}
	if !r.Indexed() {
		return Reading{}, false, nil
	}
	turned, err := s.turnTo(ctx, r.Page)
	if err != nil || turned {
		return Reading{}, false, err
	}
	return Reading{Register: r, State: Absent}, true, nil
}

// hint says what a register is likely to hold: what the caller says, else what the session's own hints say.
func (s *Session) hint(r cv.Register, likely ...uint8) Hint {
	if len(likely) == 0 && s.Hints != nil {
		return s.Hints(r)
	}
	return Hint{Values: likely}
}

// suggest has a station that reads whole registers by itself say what r holds, where nothing else is known of it. All that follows
// from it is what is asked first.
func (s *Session) suggest(ctx context.Context, r cv.Register, hint Hint) (Hint, error) {
	_, known := s.knowledge.found[r]
	if s.reader == nil || known || hint.Absent || len(hint.Values) > 0 {
		return hint, nil
	}
	value, answer, err := s.reader.Read(ctx, s.mode, r.CV)
	if errors.Is(err, nmra.ErrNotInMode) { // in this mode it only verifies
		return hint, nil
	}
	s.last = nmra.Access{}
	s.tally.Operations++
	s.tally.Airtime += answer.Airtime
	if err != nil {
		return hint, fmt.Errorf("%v: reading CV %d: %w", s.mode, r.CV, err)
	}
	if answer.Acknowledged {
		hint.Values = []uint8{value}
	}
	return hint, nil
}

// prove asks in the session's mode until r is proven.
func (s *Session) prove(ctx context.Context, r cv.Register, hint Hint) (Reading, error) {
	hint, err := s.suggest(ctx, r, hint)
	if err != nil {
		return Reading{Register: r}, err
	}
	s.belief.expect(s.expect(r, hint), &s.noise)
	return s.conclude(ctx, r, hint)
}

// conclude asks on from what is believed of r by now.
func (s *Session) conclude(ctx context.Context, r cv.Register, hint Hint) (Reading, error) {
	h, ok, err := s.settle(ctx, s.mode, r.CV, (*belief).proven)
	if err != nil || !ok {
		return Reading{Register: r}, err
	}
	got := s.found(r, hint, h)
	if got.State == Absent {
		slower, err := s.present(ctx)
		if err != nil {
			return got, err
		}
		if slower {
			s.knowledge.unlearn(r)
			return s.prove(ctx, r, hint)
		}
	}
	if ok, err := s.vouch(ctx); !ok || err != nil {
		delete(s.held, r)
		return Reading{Register: r}, err
	}
	return got, nil
}

// expect says how likely everything is that the register may be found to be in the session's mode.
func (s *Session) expect(r cv.Register, hint Hint) *chances {
	p := s.knowledge.expect(r, hint)
	if s.mode == nmra.AddressOnly { // no other value can be asked for (S-9.2.3, section E: 0DDDDDDD)
		p[0] = 0
		clear(p[nmra.MaxShort+1 : absent])
	}
	return p
}

// found takes in what the belief at hand says that a register is.
func (s *Session) found(r cv.Register, hint Hint, h int) Reading {
	s.knowledge.learn(r, hint, h)
	d := s.belief.doubt(h)
	got := Reading{Register: r, State: Proven, Value: uint8(h), Wrong: d.average(&s.noise)}
	if h == absent {
		got.State, got.Value = Absent, 0
		return got
	}
	s.held[r] = got.Value
	return got
}

// settle asks a CV in a mode until what is believed of it is enough, or patience ends.
func (s *Session) settle(ctx context.Context, mode nmra.Mode, c nmra.CV,
	enough func(b *belief, bound float64) (int, bool)) (h int, ok bool, err error) {
	if _, _, reached := mode.Register(c); mode != nmra.Direct && !reached {
		return absent, true, nil
	}
	b := s.belief
	defer func() { s.noise = b.noise() }()
	most := patience
	if mode != nmra.Direct {
		most = patienceWholeByte
	}
	airtime := func(q question) (acknowledged, silent time.Duration) { return s.airtime(q.access(mode, c)) }
	for b.asked < most {
		q := b.next(mode == nmra.Direct, airtime)
		acknowledged, err := s.do(ctx, q.access(mode, c))
		if err != nil {
			return 0, false, err
		}
		b.learn(q, acknowledged)
		if h, ok := enough(b, s.bound); ok {
			return h, true, nil
		}
	}
	return 0, false, nil
}
