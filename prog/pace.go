package prog

import (
	"context"
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
	return s.pace.String(), s.pace == slow || s.pace == resetsBetween && s.bits()
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
	sequence, _ := s.paced(a).Sequence() // what can't be asked takes no time: asking for it says why
	acknowledged, silent = sequence.AirtimeAcknowledged(), sequence.Airtime()
	if reset, err := nmra.Reset().Encode(); err == nil && s.pace == follow {
		acknowledged += reset.Airtime(nmra.LongPreamble)
	}
	return acknowledged, silent
}

// trusting is how many more acknowledgements of eight may go missing at a faster pace than at a slower one.
const trusting = 2

// keepUp finds the fastest pace at which the decoder acknowledges what it is known to hold as often as at the next slower one: each
// bit of the register that Start read, right after its opposite, to which it has to be silent. alone says that it was, all
// the time.
func (s *Session) keepUp(ctx context.Context) (alone bool, err error) {
	if !s.bits() || s.pace == slow {
		return false, nil
	}
	var missed [slow + 1]int
	for s.pace = follow; ; s.pace++ {
		missed[s.pace], alone, err = s.missed(ctx)
		if err != nil || missed[s.pace] <= trusting {
			return alone, err
		}
		if s.pace == slow {
			break
		}
	}
	// No pace is good: the fastest that is no worse than the next one.
	for s.pace = follow; s.pace < slow && missed[s.pace]-missed[s.pace+1] > trusting; s.pace++ {
	}
	return alone, nil
}

// follows says whether a decoder that was found to keep up with verifies that follow each other still does, as far as it
// makes a difference.
func (s *Session) follows(ctx context.Context) (bool, error) {
	atOnce, _, err := s.missed(ctx)
	if err != nil || atOnce <= trusting {
		return true, err
	}
	s.pace = resetsBetween
	behindResets, _, err := s.missed(ctx)
	s.pace = follow
	return atOnce-behindResets <= trusting, err
}

// missed asks for each bit of what the decoder is known to hold, right after its opposite, and counts what is not acknowledged.
func (s *Session) missed(ctx context.Context) (n int, alone bool, err error) {
	alone = true
	for bit := range uint8(8) {
		q := question{bit: bit, value: s.mark.Value >> bit & 1}
		opposite := question{bit: bit, value: 1 - q.value}
		acknowledged, err := s.do(ctx, opposite.access(s.mode, s.mark.Register.CV))
		if err != nil {
			return 0, false, err
		}
		alone = alone && !acknowledged
		if acknowledged, err = s.do(ctx, q.access(s.mode, s.mark.Register.CV)); err != nil {
			return 0, false, err
		}
		if !acknowledged {
			n++
		}
	}
	return n, alone, nil
}
