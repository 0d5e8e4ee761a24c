package prog

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
)

// pace is how fast a session asks. The fastest that the decoder keeps up with is found by [Session.keepUp].
type pace uint8

const (
	follow        pace = iota // verifies follow each other; direct mode only
	resetsBetween             // each behind resets of its own
	slow                      // the same, with twice the packets
)

func (p pace) String() string {
	switch p {
	case follow:
		return "one verify after the other"
	case resetsBetween:
		return "resets between"
	}
	return "resets between, and twice the packets"
}

// Pace says in words how fast the decoder is asked, and whether that is slower than the standard allows.
func (s *Session) Pace() (words string, slower bool) {
	return s.pace.String(), s.pace == slow || s.pace == resetsBetween && s.mode == nmra.Direct
}

// paced gives an access the pace of the session.
func (s *Session) paced(a nmra.Access) nmra.Access {
	if s.pace == slow {
		a.Pace = nmra.Slow
	}
	if s.pace != follow || a.Mode != nmra.Direct || a.Writes() || s.last.CV == 0 || s.last.Mode != nmra.Direct {
		return a
	}
	// A decoder does once what it is told twice or oftener: only a reset makes the same question another one.
	a.Lead = s.last.Lead
	if s.answered || s.last.Writes() || a == s.last {
		a.Lead = nmra.AfterReset
	} else {
		a.Lead = nmra.Onward
	}
	return a
}

// airtime is how long an access takes, acknowledged and not. The reset that has to follow an acknowledgement is reckoned in.
func (s *Session) airtime(a nmra.Access) (acknowledged, silent time.Duration) {
	sequence, err := s.paced(a).Sequence()
	if err != nil {
		panic(fmt.Sprintf("prog: a question that can't be asked: %v", err))
	}
	acknowledged, silent = sequence.AirtimeAcknowledged(), sequence.Airtime()
	if s.pace == follow {
		acknowledged += oneReset
	}
	return acknowledged, silent
}

var oneReset = func() time.Duration {
	p, err := nmra.Reset().Encode()
	if err != nil {
		panic(err)
	}
	return p.Airtime(nmra.LongPreamble)
}()

// trusting is how many more acknowledgements of eight may go missing at a faster pace than at a slower one.
const trusting = 2

// keepUp finds the fastest pace at which the decoder acknowledges what it is known to hold as often as at the next slower one: each bit
// of the register that Start read, between questions that it has to be silent to.
func (s *Session) keepUp(ctx context.Context) error {
	if s.mode != nmra.Direct || s.pace == slow {
		return nil
	}
	missed := map[pace]int{}
	for p := range slow + 1 {
		s.pace = p
		var err error
		if missed[p], err = s.missed(ctx); err != nil {
			return err
		}
		if missed[p] <= trusting {
			return nil
		}
	}
	for s.pace = follow; s.pace < slow && missed[s.pace]-missed[s.pace+1] > trusting; s.pace++ {
	}
	return nil
}

// missed asks for each bit of what the decoder is known to hold, right after its opposite, and counts what is not acknowledged.
func (s *Session) missed(ctx context.Context) (n int, err error) {
	for bit := range uint8(8) {
		q := question{bit: bit, value: s.mark.Value >> bit & 1}
		opposite := question{bit: bit, value: 1 - q.value}
		if _, err := s.do(ctx, opposite.access(s.mode, s.mark.Register.CV)); err != nil {
			return 0, err
		}
		acknowledged, err := s.do(ctx, q.access(s.mode, s.mark.Register.CV))
		if err != nil {
			return 0, err
		}
		if !acknowledged {
			n++
		}
	}
	return n, nil
}
