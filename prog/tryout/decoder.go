package tryout

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/station"
)

// What a decoder on the programming track is held to.
//
// NMRA S-9.2.3 (July 2012), section D: at rest, and the acknowledgement.
const (
	mostAtRest  = station.Milliamps(100)
	leastHeight = station.Milliamps(60)
	shortest    = 5 * time.Millisecond
	longest     = 7 * time.Millisecond
)

// Our own choice: what is less than a decoder draws, and what a station's samples may add to a pulse or leave off.
const (
	leastAtRest = station.Milliamps(1)
	sampling    = 200 * time.Microsecond
)

// withDecoder turns the track on with a decoder on it.
func (t *tryout) withDecoder(ctx context.Context) (string, error) {
	var err error
	t.rest, err = t.power.PowerOn(ctx)
	var overload station.Overload
	switch {
	case errors.As(err, &overload):
		return fmt.Sprintf("%.0f mA", overload.Current), err
	case err != nil:
		return "", err
	case t.rest.Unmeasured:
		return unmeasured, nil
	}
	saw := fmt.Sprintf("%.0f mA", t.rest.Rest)
	if t.rest.Rest < leastAtRest {
		return saw, errors.New("nothing draws any current: see that the vehicle stands on the programming track, that its wheels and the rails " +
			"are clean, and that the track is wired to the station. If so, then its current sense gives nothing: one that is wired backwards does that")
	}
	return saw, nil
}

const unmeasured = "on; the station does not measure what is drawn"

// atRest holds what the decoder draws to the standard.
func (t *tryout) atRest(context.Context) (string, error) {
	if t.rest.Unmeasured {
		return "", notTried("the station does not measure it")
	}
	saw := fmt.Sprintf("%.0f mA", t.rest.Rest)
	if t.rest.Rest > mostAtRest {
		return saw, fmt.Errorf("a decoder at rest draws at most %.0f mA: leave one vehicle on the track, with its lights and sounds off; "+
			"then see that the current sense is set right", mostAtRest)
	}
	return saw, nil
}

// decoder is what is known of the one on the track.
type decoder struct {
	track   station.ProgrammingTrack
	session *prog.Session
	failed  error            // of starting the session
	yes, no nmra.Access      // what it acknowledges, and what it must not; the zero Access where that is not known
	heard   []station.Answer // acknowledgements of yes
	asked   int              // how often no was
	untold  int              // how often that was acknowledged
}

// ask asks a question so many times, and gives the acknowledgements.
func (d *decoder) ask(ctx context.Context, a nmra.Access, times int) (heard []station.Answer, err error) {
	for range times {
		answer, err := d.track.Service(ctx, a)
		if err != nil {
			return heard, err
		}
		if answer.Acknowledged {
			heard = append(heard, answer)
		}
	}
	return heard, nil
}

// bit7 asks what S-9.2.3, section E, has for finding out whether a decoder knows direct mode: is bit 7 of CV 8 such?
func bit7(is bool) nmra.Access {
	return nmra.Access{Mode: nmra.Direct, Operation: nmra.VerifyBit, CV: cv.Maker, Bit: 7, BitValue: is}
}

// mostly is more than noise makes of questions.
const mostly = questions/2 + 1

// acknowledges asks for bit 7 of CV 8 as 0 and as 1: one of the two is so. Where neither is acknowledged other modes are tried.
func (d *decoder) acknowledges(ctx context.Context) (string, error) {
	zeros, err := d.ask(ctx, bit7(false), questions)
	ones, oneErr := []station.Answer(nil), err
	if err == nil {
		ones, oneErr = d.ask(ctx, bit7(true), questions)
	}
	saw := fmt.Sprintf("register 8, is bit 7 a 0? acknowledged %s; a 1? %s", count(len(zeros), questions), count(len(ones), questions))
	switch zero, one := len(zeros) >= mostly, len(ones) >= mostly; {
	case oneErr != nil && !errors.Is(oneErr, nmra.ErrNotInMode):
		return "", oneErr
	case zero && one:
		return saw, errors.New("one of the two can't be so: leave one vehicle on the track. If there is only one, the station takes something else " +
			"for an acknowledgement: its threshold is too low, or what it hears is noise")
	case zero || one:
		d.yes, d.no, d.heard = bit7(one), bit7(zero), ones
		d.asked, d.untold = questions, len(zeros)
		if zero {
			d.heard, d.untold = zeros, len(ones)
		}
		return saw, nil
	case len(zeros)+len(ones) > 0:
		return saw, errors.New("most acknowledgements are not heard: clean the wheels and the rails. If that does not help, the decoder's pulse " +
			"is too weak for the station's threshold")
	}
	session, err := d.start(ctx)
	switch {
	case errors.Is(err, prog.ErrSilent), errors.Is(err, prog.ErrUnheard):
		return "nothing in any mode", fmt.Errorf("%w. A decoder acknowledges with its motor: see that one is connected. If it is, and other "+
			"decoders do not answer either, the station's threshold is too high, or its current sense gives too little", err)
	case err != nil:
		return "", err
	case oneErr != nil:
		return fmt.Sprintf("in %v mode; the station asks for no bits in direct mode", session.Mode()), nil
	case session.Mode() == nmra.Direct:
		return "in direct mode, with more packets to each question than the standard asks for", nil
	}
	return fmt.Sprintf("not in direct mode, but in %v mode", session.Mode()), nil
}

// start starts a session, once.
func (d *decoder) start(ctx context.Context) (*prog.Session, error) {
	if d.session == nil && d.failed == nil {
		d.session, d.failed = prog.Start(ctx, d.track, prog.DefaultBound, nil)
	}
	return d.session, d.failed
}

// reads reads who made the decoder, which proves that it is alone; where only the address can be asked for, that.
func (d *decoder) reads(ctx context.Context) (string, error) {
	session, err := d.start(ctx)
	if err != nil {
		return "", err
	}
	r, value, saw := cv.Register{CV: cv.Maker}, uint8(0), ""
	if session.Mode() == nmra.AddressOnly {
		r.CV = 1
		got, err := session.Read(ctx, r)
		if err == nil && got.State != prog.Proven {
			err = prog.NotRead{Reading: got}
		}
		if err != nil {
			return "", err
		}
		value, saw = got.Value, fmt.Sprintf("address %d", got.Value)
	} else {
		made, err := session.Decoder(ctx)
		if err != nil {
			return "", err
		}
		value, saw = made.Maker, fmt.Sprintf("maker %d, version %d", made.Maker, made.Version)
	}
	if d.yes == (nmra.Access{}) {
		d.yes = nmra.Access{Mode: session.Mode(), CV: r.CV, Value: value}
		d.no = d.yes
		d.no.Value = value%nmra.MaxShort + 1 // which is an address too
		if session.Mode() == nmra.Direct {
			d.yes.Pace, d.no.Pace = nmra.Slow, nmra.Slow
		}
	}
	return fmt.Sprintf("%s: proven in %v mode with %d questions", saw, session.Mode(), session.Tally().Operations), nil
}

const unknown = notTried("nothing is known that it would have to acknowledge")

// strength holds acknowledgements to the standard.
func (d *decoder) strength(ctx context.Context) (string, error) {
	if d.yes == (nmra.Access{}) {
		return "", unknown
	}
	if len(d.heard) == 0 {
		var err error
		if d.heard, err = d.ask(ctx, d.yes, questions); err != nil {
			return "", err
		}
	}
	if len(d.heard) == 0 || d.heard[0].Height == 0 || d.heard[0].Pulse == 0 {
		return "", notTried("the station does not measure acknowledgements")
	}
	low, short, long := d.heard[0].Height, d.heard[0].Pulse, d.heard[0].Pulse
	for _, a := range d.heard {
		low, short, long = min(low, a.Height), min(short, a.Pulse), max(long, a.Pulse)
	}
	saw := fmt.Sprintf("at least %.0f mA above rest, for %.1f to %.1f ms", low, milliseconds(short), milliseconds(long))
	const want = "a decoder has to acknowledge with at least 60 mA, for 5 to 7 ms"
	switch {
	case low < leastHeight:
		return saw, errors.New(want + ": it is heard, but weak. Clean the wheels and the rails; see that the motor is connected and turns " +
			"freely; if other decoders are as weak, the station's current sense gives too little")
	case short < shortest-sampling:
		return saw, errors.New(want + ": it breaks off. Clean the wheels and the rails, and see that all wheels that pick up current do so")
	case long > longest+sampling:
		return saw, errors.New(want + ": it goes on for too long. If other decoders do so too, the station's current sense is too slow: see its filter")
	}
	return saw, nil
}

func milliseconds(d time.Duration) float64 { return d.Seconds() * 1000 }

// untrue asks for what is not so.
func (d *decoder) untrue(ctx context.Context) (string, error) {
	if d.yes == (nmra.Access{}) {
		return "", unknown
	}
	heard, err := d.ask(ctx, d.no, questions)
	if err != nil {
		return "", err
	}
	if d.no.Mode == nmra.Paged { // leaves the page register at 1, as S-9.2.3, section E, asks
		if _, err := d.track.Service(ctx, nmra.Access{Mode: nmra.Paged, CV: 1, Value: 1}); err != nil {
			return "", err
		}
	}
	d.asked, d.untold = d.asked+questions, d.untold+len(heard)
	saw := "acknowledged " + count(d.untold, d.asked)
	if d.untold > 0 {
		return saw, errors.New("acknowledgements come from nowhere: clean the wheels and the rails, and turn lights and sounds off. If it " +
			"stays so with other decoders, the station's threshold is too low. Reading still proves what it says, with more questions")
	}
	return saw, nil
}
