package prog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
)

// DefaultBound is the chance of a wrong value up to which a value counts as read.
const DefaultBound = 1e-6

// leastDraw is the current below which nothing is taken to stand on the track.
const leastDraw station.Milliamps = 0.5

// Errors of a programming track on which no one decoder answers.
var (
	ErrNothing = errors.New("nothing is on the programming track: no current flows")
	ErrSilent  = errors.New("what is on the programming track draws current but answers in no mode: " +
		"clean its wheels and the rails, and see that it is a decoder")
	ErrUnheard = errors.New("nothing on the programming track answers, and the station can't tell whether any current flows: " +
		"put the vehicle on it, clean its wheels and the rails, and see that it has a decoder")
	ErrSeveral = errors.New("more than one decoder answers: leave only one vehicle on the programming track")
	ErrGone    = errors.New("the decoder does not answer any more: put it back on the track, and clean its wheels and the rails")
)

// Recorder keeps what must outlive a crash. Its methods return only when it is kept for good; if they fail, nothing is
// written to the decoder. A [fettle/prog/journal.Journal] is one.
type Recorder interface {
	Held(values cv.Values) error              // these registers hold this, and may be changed from now on
	Wanted(values cv.Values) error            // this is what the batch is to leave
	Writing(r cv.Register, value uint8) error // value is about to be written to r
}

// Tally counts what a session has cost.
type Tally struct {
	Operations int           // service-mode accesses: questions and writes
	Airtime    time.Duration // on the track, by the station's clock
}

// Session is one stay of one decoder on a programming track. It reads only what it can prove, and writes nothing before
// the old value is recorded. Make one with [Start].
type Session struct {
	track     station.ProgrammingTrack
	reader    station.Reader // the same, where it reads whole registers by itself; else nil
	recorder  Recorder
	bound     float64
	mode      nmra.Mode
	pace      pace
	last      nmra.Access // the one before
	answered  bool        // and whether it was acknowledged
	onward    int         // acknowledgements of questions that followed one that was not, with no reset between
	rest      station.Draw
	pulse     station.Answer // the last acknowledgement
	noise     noise
	belief    *belief
	knowledge *knowledge
	held      cv.Values // proven in this session, and nothing has touched it since
	home      *cv.Page  // CV 31 and 32 as they were found, once a page has been turned to
	lonely    bool      // no second decoder was found on the track
	mark      Reading   // what Start read: CV 8, or CV 1 where only the address can be asked
	tally     Tally

	// Hints, where it is set, is asked what a register is likely to hold before it is read.
	Hints func(cv.Register) Hint

	// Progress, where it is set, is told how far the work at hand has come: after each register.
	Progress func(doing string, done, of int)
}

// Start turns the track on and finds out in which mode the decoder answers, by reading CV 8. bound is the chance of a wrong
// value up to which a value counts as read, above 0; see [DefaultBound]. recorder may be nil for a session that never writes:
// one that then has to, fails. Modes that the station does not do are passed over. Errors: [ErrNothing], [ErrSilent], [ErrUnheard],
// [ErrSeveral], [NotRead] on a track that is too noisy, and those of the station.
func Start(ctx context.Context, track station.ProgrammingTrack, bound float64, recorder Recorder) (*Session, error) {
	s := &Session{track: track, recorder: recorder, bound: bound, pace: resetsBetween,
		noise: newNoise(), belief: new(belief), knowledge: newKnowledge(), held: cv.Values{}}
	s.reader, _ = track.(station.Reader)
	if err := s.powerOn(ctx); err != nil {
		return nil, err
	}
	if s.empty() {
		return nil, ErrNothing
	}
	for _, try := range []struct {
		nmra.Mode
		pace
	}{
		{nmra.Direct, resetsBetween}, {nmra.Direct, slow},
		{nmra.Paged, resetsBetween}, {nmra.Registers, resetsBetween}, {nmra.AddressOnly, resetsBetween},
	} {
		s.mode, s.pace = try.Mode, try.pace
		r := cv.Register{CV: 8}
		if s.mode == nmra.AddressOnly {
			r.CV = 1
		}
		got, err := s.first(ctx, r)
		if errors.Is(err, nmra.ErrNotInMode) { // the station does not do it
			continue
		}
		if err != nil {
			return nil, err
		}
		if got.State == Absent {
			continue
		}
		if got.State == Unsure {
			return nil, NotRead{got}
		}
		if s.mode == nmra.Paged {
			if paged, err := s.turnsPages(ctx, got); err != nil {
				return nil, err
			} else if !paged {
				s.forget(got.Register)
				continue
			}
		}
		alone, err := s.keepUp(ctx)
		if err == nil && !alone {
			err = s.Alone(ctx, got)
		}
		return s, err
	}
	if s.rest.Unmeasured {
		return nil, ErrUnheard
	}
	return nil, ErrSilent
}

// empty says whether nothing is on the track, as far as the station can tell.
func (s *Session) empty() bool { return !s.rest.Unmeasured && s.rest.Rest < leastDraw }

// first reads the first register of all, in a mode in which the decoder may not answer. That it does not is taken for granted sooner
// than a value would be: all that follows from it is that other modes are tried, and that nothing is read.
func (s *Session) first(ctx context.Context, r cv.Register) (Reading, error) {
	hint, err := s.suggest(ctx, r, Hint{})
	if err != nil {
		return Reading{Register: r}, err
	}
	prior := s.expect(r, hint)
	prior[absent] = 0.5
	s.belief.expect(prior, &s.noise)
	h, ok, err := s.settle(ctx, s.mode, r.CV, (*belief).answering)
	switch {
	case err != nil || !ok:
		return Reading{Register: r}, err
	case h == absent:
		return Reading{Register: r, State: Absent}, nil
	}
	s.mark = s.found(r, hint, h)
	if ok, err := s.vouch(ctx); err != nil || !ok {
		return Reading{Register: r}, err
	}
	return s.mark, nil
}

// turnsPages says whether a decoder has the page register of paged mode. One that has register mode alone takes the same packets: what seems to be CV 8
// is its CV 4 then, and what seems to be CV 7 its CV 3 (S-9.2.3, section E).
func (s *Session) turnsPages(ctx context.Context, eight Reading) (bool, error) {
	if same, err := s.holds(ctx, s.mode, 4, eight.Value); !same || err != nil {
		return true, err
	}
	seven, err := s.prove(ctx, versionRegister, Hint{})
	if err != nil || seven.State != Proven {
		return false, err
	}
	same, err := s.holds(ctx, s.mode, 3, seven.Value)
	if same {
		s.forget(seven.Register)
	}
	return !same, err
}

// holds asks in a mode whether a CV holds a value, and nothing else of it.
func (s *Session) holds(ctx context.Context, mode nmra.Mode, c nmra.CV, value uint8) (bool, error) {
	var p chances
	p[value], p[absent] = 0.5, 0.5
	s.belief.expect(&p, &s.noise)
	h, ok, err := s.settle(ctx, mode, c, (*belief).proven)
	return ok && h == int(value), err
}

// forget has a register read as if it never had been.
func (s *Session) forget(r cv.Register) {
	delete(s.held, r)
	s.knowledge.unlearn(r)
}

// bits says whether single bits can be asked for.
func (s *Session) bits() bool { return s.mode == nmra.Direct }

// Mode is the mode in which the session reads and writes: the ablest in which the decoder answers.
func (s *Session) Mode() nmra.Mode { return s.mode }

// Tally is what the session has cost so far.
func (s *Session) Tally() Tally { return s.tally }

// Noise is how often an acknowledgement goes missing on this track, and how often one comes from nowhere, as far as is known.
func (s *Session) Noise() (lost, spurious float64) { return s.noise.rates() }

// Pulse is the last acknowledgement that was seen.
func (s *Session) Pulse() station.Answer { return s.pulse }

// Rest is the current that the decoder draws when nothing happens.
func (s *Session) Rest() station.Milliamps { return s.rest.Rest }

// PowerCycle turns the track off and on. What the decoder was known to hold is to be read again afterwards. Errors: [ErrGone]; those of
// the station.
func (s *Session) PowerCycle(ctx context.Context) error {
	if err := s.track.PowerOff(ctx); err != nil {
		return fmt.Errorf("turning the programming track off: %w", err)
	}
	clear(s.held)
	s.last = nmra.Access{}
	if err := s.powerOn(ctx); err != nil {
		return err
	}
	if s.empty() {
		return ErrGone
	}
	return nil
}

// present makes sure, where a register does not answer, that this is not for want of a decoder that keeps up: the one that
// [Start] read still answers, at the session's pace. One that does only when it is asked slower is asked so from now on; slower
// says that, and that what was silent has to be asked again. Errors: [ErrGone].
func (s *Session) present(ctx context.Context) (slower bool, err error) {
	noise, pace := s.noise, s.pace
	for {
		onward := s.onward
		s.belief.expect(s.expect(s.mark.Register, Hint{}), &s.noise)
		h, ok, err := s.settle(ctx, s.mode, s.mark.Register.CV, (*belief).proven)
		if err != nil || !ok {
			return s.pace != pace, err
		}
		keepsUp := h != absent
		if keepsUp && s.pace == follow && s.onward == onward {
			keepsUp, err = s.follows(ctx)
		}
		switch {
		case err != nil || keepsUp:
			return s.pace != pace, err
		case !s.bits() || s.pace == slow:
			return false, ErrGone
		}
		s.noise = noise // a decoder that does not keep up says nothing of it
		s.pace++
	}
}

func (s *Session) powerOn(ctx context.Context) error {
	draw, err := s.track.PowerOn(ctx)
	s.tally.Airtime += draw.Airtime
	var overload station.Overload
	switch {
	case errors.As(err, &overload):
		return overload // which says it all
	case err != nil:
		return fmt.Errorf("turning the programming track on: %w", err)
	}
	s.rest = draw
	return nil
}

// do does one access, unless the context is done.
func (s *Session) do(ctx context.Context, a nmra.Access) (acknowledged bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	a = s.paced(a)
	answer, err := s.track.Service(ctx, a)
	s.tally.Operations++
	s.tally.Airtime += answer.Airtime
	if err != nil {
		return false, fmt.Errorf("%v: %w", a, err)
	}
	s.last, s.answered = a, answer.Acknowledged
	if answer.Acknowledged {
		if a.Lead == nmra.Onward {
			s.onward++
		}
		s.pulse = answer
	}
	return answer.Acknowledged, nil
}

func (s *Session) progress(doing string, done, of int) {
	if s.Progress != nil {
		s.Progress(doing, done, of)
	}
}

// ownMarks are the registers in which two decoders are likely to differ: maker, version and the addresses.
var ownMarks = [...]nmra.CV{8, 7, 1, 18, 17}

// twice is how many times as much current as before says that two decoders acknowledge at once.
const twice = 1.5

// soleDecoder makes sure, before anything is written, that a write reaches one decoder only, as far as can be told: in direct mode
// by what the registers hold; an old decoder beside it that has paged mode and the same maker's number, by the current of both
// together. Decoders that all lack direct mode can't be told apart. Errors: [ErrSeveral].
func (s *Session) soleDecoder(ctx context.Context) error {
	if s.lonely || !s.bits() {
		return nil
	}
	for _, c := range ownMarks {
		got, err := s.Read(ctx, cv.Register{CV: c})
		if err != nil {
			return err
		}
		if err := s.Alone(ctx, got); err != nil {
			return err
		}
	}
	height := s.pulse.Height
	_, err := s.do(ctx, nmra.Access{Mode: nmra.Paged, Operation: nmra.Verify, CV: s.mark.Register.CV, Value: s.mark.Value})
	if err != nil && !errors.Is(err, nmra.ErrNotInMode) { // a station that has no paged mode writes in none
		return err
	}
	if s.pulse.Height > twice*height && height > 0 {
		return ErrSeveral
	}
	s.lonely = true
	return s.leavePages(ctx)
}

// leavePages puts the page register back to 1 after paged mode has been used, as S-9.2.3, section E, asks.
func (s *Session) leavePages(ctx context.Context) error {
	if s.last.Mode != nmra.Paged {
		return nil
	}
	// Any access to CV 1 to 4 sets it to 1.
	_, err := s.do(ctx, nmra.Access{Mode: nmra.Paged, Operation: nmra.Verify, CV: 1, Value: 3})
	return err
}

// How likely it is, bit by bit, that a second decoder holds the opposite: before the question, and from where on it is decided.
const (
	oddsOfSecond = 1e-4
	oddsAgainst  = 1e-5
	oddsFor      = 1e5
)

// ReadAlone reads a register, and makes sure that no second decoder has a say in it. Errors: those of Read, and [ErrSeveral].
func (s *Session) ReadAlone(ctx context.Context, r cv.Register) (Reading, error) {
	got, err := s.Read(ctx, r)
	if err != nil {
		return got, err
	}
	if got.State == Unsure {
		if _, err := s.Decoder(ctx); errors.Is(err, ErrSeveral) {
			return got, err
		}
	}
	return got, s.Alone(ctx, got)
}

// Alone asks for the opposite of each bit of what a register was found to hold: one decoder acknowledges none of it.
// Whole bytes can't tell, and other modes than direct have no bits. Errors: [ErrSeveral].
func (s *Session) Alone(ctx context.Context, got Reading) error {
	if s.mode != nmra.Direct || got.State != Proven {
		return nil
	}
	var certain chances
	certain[got.Value] = 1
	s.belief.expect(&certain, &s.noise)
	for bit := range uint8(8) {
		opposite := question{bit: bit, value: ^got.Value >> bit & 1}
		for odds := oddsOfSecond; odds > oddsAgainst; {
			acknowledged, err := s.do(ctx, opposite.access(s.mode, got.Register.CV))
			if err != nil {
				return err
			}
			s.belief.learn(opposite, acknowledged) // what one decoder would make of it
			lost, spurious := s.belief.rates()
			if acknowledged {
				odds *= (1 - lost) / spurious
			} else {
				odds *= lost / (1 - spurious)
			}
			if odds > oddsFor {
				return s.changedOrSeveral(ctx, got)
			}
		}
	}
	s.noise = s.belief.noise()
	return nil
}

// changedOrSeveral tells a register that changes by itself from two decoders: it does not acknowledge its old value any more.
func (s *Session) changedOrSeveral(ctx context.Context, got Reading) error {
	old := question{whole: true, value: got.Value}
	for range 3 {
		acknowledged, err := s.do(ctx, old.access(s.mode, got.Register.CV))
		if err != nil {
			return err
		}
		if acknowledged {
			return ErrSeveral
		}
	}
	return nil
}
