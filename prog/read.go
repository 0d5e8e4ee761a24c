package prog

import (
	"context"

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
	return s.prove(ctx, r, prior(r, likely))
}

// prove asks in the session's mode until r is proven.
func (s *Session) prove(ctx context.Context, r cv.Register, prior *[hypotheses]float64) (Reading, error) {
	h, ok, err := s.settle(ctx, s.mode, r.CV, prior)
	switch {
	case err != nil:
		return Reading{}, err
	case !ok:
		return Reading{Register: r}, nil
	case h == absent:
		got := Reading{Register: r, State: Absent, Wrong: s.belief.others(h)}
		return got, s.present(ctx)
	}
	s.held[r] = uint8(h)
	return Reading{Register: r, State: Proven, Value: uint8(h), Wrong: s.belief.others(h)}, nil
}

// settle asks a CV in a mode until one hypothesis is proven or patience ends.
func (s *Session) settle(ctx context.Context, mode nmra.Mode, c nmra.CV, prior *[hypotheses]float64) (h int, ok bool, err error) {
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
	for b.asked < most {
		q := b.next(mode == nmra.Direct)
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

// How likely things are before a register has been asked. They decide only what is asked first: proof takes the same
// evidence whatever they are, within a factor that the bound covers.
const (
	likelyAtAll   = 0.8  // one of the likely values, where there are any
	zero          = 0.15 // most registers that are of no use hold 0
	missing       = 0.25 // an optional register that nothing is known of
	missingNeeded = 0.02 // a register that the standard has every decoder hold (S-9.2.2), or that is known to be there
)

// prior gives the chance of each hypothesis for a register, likely values first.
func prior(r cv.Register, likely []uint8) *[hypotheses]float64 {
	var p [hypotheses]float64
	for h := range p[:absent] {
		p[h] = 1.0 / 256
	}
	p[0] += zero
	p[absent] = missing
	if len(likely) > 0 || r.CV == 1 || r.CV == 7 || r.CV == 8 || r.CV == 29 {
		p[absent] = missingNeeded
	}
	if len(likely) == 0 {
		return &p
	}
	for h := range p {
		p[h] *= 1 - likelyAtAll
	}
	share := likelyAtAll
	for _, v := range likely {
		share /= 2
		p[v] += share
	}
	p[likely[0]] += share
	return &p
}
