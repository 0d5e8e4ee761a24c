package prog

import (
	"context"
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
	if v, ok := s.held[r]; ok {
		return Reading{Register: r, State: Proven, Value: v}, nil
	}
	if r.Indexed() {
		if turned, err := s.turnTo(ctx, r.Page); err != nil {
			return Reading{}, err
		} else if !turned {
			return Reading{Register: r, State: Absent}, nil
		}
	}
	return s.prove(ctx, r, likely)
}

// mostUnanswered is after how many absent registers in a row the decoder is asked for what it is known to hold.
const mostUnanswered = 32

// prove asks in the session's mode until r is proven. What is likely goes before what the session's own hints say.
func (s *Session) prove(ctx context.Context, r cv.Register, likely []uint8) (Reading, error) {
	hint := Hint{Values: likely}
	if len(likely) == 0 && s.Hints != nil {
		hint = s.Hints(r)
	}
	h, ok, err := s.settle(ctx, s.mode, r.CV, s.knowledge.expect(r, hint))
	if err != nil || !ok {
		return Reading{Register: r}, err
	}
	s.knowledge.learn(r, hint, h)
	if h == absent {
		got := Reading{Register: r, State: Absent, Wrong: s.belief.others(h)}
		if s.unanswered++; s.unanswered%mostUnanswered == 1 {
			err = s.present(ctx)
		}
		return got, err
	}
	s.unanswered = 0
	s.held[r] = uint8(h)
	return Reading{Register: r, State: Proven, Value: uint8(h), Wrong: s.belief.others(h)}, nil
}

// settle asks a CV in a mode until one hypothesis is proven or patience ends.
func (s *Session) settle(ctx context.Context, mode nmra.Mode, c nmra.CV, prior *chances) (h int, ok bool, err error) {
	if _, _, reached := mode.Register(c); mode != nmra.Direct && !reached {
		return absent, true, nil
	}
	if mode == nmra.AddressOnly {
		addresses := *prior // no other value can be asked for (S-9.2.3, section E: 0DDDDDDD)
		addresses[0] = 0
		clear(addresses[nmra.MaxShort+1 : absent])
		prior = &addresses
	}
	b := s.belief
	b.expect(prior, &s.noise)
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
		if h, ok := b.proven(s.bound); ok {
			return h, true, nil
		}
	}
	return 0, false, nil
}
