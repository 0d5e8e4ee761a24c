package bench

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"

	"fettle/station"
)

// Track is rails with decoders on them, and what drives it is outside: a [Bench], which plays packets, or the simulated bridge of a
// board. It takes bits and gives current, and knows nothing of packets. Its power is off at first. The instants that it is told are of
// one clock, and never go back. It is not for use by several goroutines at once.
type Track struct {
	decoders []*Decoder
	powered  bool
	at       time.Duration  // of the last bit, or change of power
	release  []func() error // on Close
}

// NewTrack puts decoders on rails of their own.
func NewTrack(decoders ...*Decoder) *Track {
	for _, d := range decoders {
		d.place()
	}
	return &Track{decoders: decoders}
}

// OpenTrack puts the decoders on rails that rest names, as station.Open does for what follows "bench:". They remember, and are held
// against other commands until Close. Errors: no such decoder; a file with mistakes; [station.ErrStation] where another command holds one.
func OpenTrack(rest string) (*Track, error) {
	found, err := find(rest)
	if err != nil {
		return nil, err
	}
	held := &Track{}
	var decoders []*Decoder
	for _, f := range found {
		d, release, err := f.open()
		if err != nil {
			return nil, errors.Join(err, held.Close())
		}
		decoders, held.release = append(decoders, d), append(held.release, release)
	}
	t := NewTrack(decoders...)
	t.release = held.release
	return t, nil
}

// Title names what stands on the track: "harbour tram 3 and ferry-berth shunter 7".
func (t *Track) Title() string {
	titles := make([]string, len(t.decoders))
	for i, d := range t.decoders {
		titles[i] = inSentence(d.spec.Title)
	}
	if len(titles) == 0 {
		return "nothing on the track"
	}
	return strings.Join(titles, " and ")
}

// inSentence gives a title its small first letter, unless it begins with an abbreviation.
func inSentence(title string) string {
	letters := []rune(title)
	if len(letters) > 1 && unicode.IsLower(letters[1]) {
		letters[0] = unicode.ToLower(letters[0])
	}
	return string(letters)
}

// Power turns the power on or off. A decoder whose memory is being written when it goes off loses that register.
func (t *Track) Power(on bool, at time.Duration) {
	t.at = at
	if on == t.powered {
		return
	}
	t.powered = on
	for _, d := range t.decoders {
		if on {
			d.powerOn(at)
		} else {
			d.powerOff(at)
		}
	}
}

// Powered says whether the power is on. A decoder with such a fault in store cuts it: then it stays off until Power turns it on again.
func (t *Track) Powered() bool { return t.powered }

// Bit takes the next bit of the signal, which ended at the instant at.
func (t *Track) Bit(one bool, at time.Duration) {
	if t.hear(one, at) {
		t.act()
	}
}

// hear takes a bit as Bit does, and says whether a decoder is to act on it. What the decoders draw stays as it was until then.
func (t *Track) hear(one bool, at time.Duration) (acts bool) {
	t.at = at
	for _, d := range t.decoders {
		acts = d.hear(one, at) || acts
	}
	return acts
}

// act lets the decoders do what the bit that they heard last has them do.
func (t *Track) act() {
	fails := false
	for _, d := range t.decoders {
		if d.acts {
			d.act()
			fails = fails || d.cutting
			d.cutting = false
		}
	}
	if fails {
		t.Power(false, t.at)
	}
}

// Current is what all decoders draw together at an instant after the last bit.
func (t *Track) Current(at time.Duration) station.Milliamps {
	var sum station.Milliamps
	for _, d := range t.decoders {
		sum += d.current(at)
	}
	return sum
}

// SteadyUntil is the instant until which the current is sure to stay as it is at an instant after the last bit, whatever bits come,
// unless Power is called; an instant before that one where nothing is sure.
func (t *Track) SteadyUntil(at time.Duration) time.Duration {
	until := never
	for _, d := range t.decoders {
		until = min(until, d.steadyUntil(at))
	}
	return until
}

// steady says whether the current stays as it is from one instant up to another, as long as no decoder acts.
func (t *Track) steady(from, to time.Duration) bool {
	for _, d := range t.decoders {
		if !d.steady(from, to) {
			return false
		}
	}
	return true
}

// Err is the error of a decoder whose memory could not be kept.
func (t *Track) Err() error {
	for _, d := range t.decoders {
		if d.failed != nil {
			return fmt.Errorf("simulated bench: keeping what %s holds: %w: %w", inSentence(d.spec.Title), d.failed, station.ErrStation)
		}
	}
	return nil
}

// Close turns the power off, and lets go of what the decoders remember in. It returns [Track.Err] too.
func (t *Track) Close() error {
	t.Power(false, t.at)
	errs := []error{t.Err()}
	for _, release := range t.release {
		errs = append(errs, release())
	}
	t.release = nil
	return errors.Join(errs...)
}
