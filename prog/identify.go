package prog

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/station"
)

// Identity is what a decoder says of itself.
type Identity struct {
	Maker     uint8         // CV 8
	Version   uint8         // CV 7
	Modes     []nmra.Mode   // in which it answers
	Registers cv.Values     // that the identity and the address come from, as far as the decoder has them
	Absent    []cv.Register // of those, that the decoder does not have
	Rest      station.Milliamps
	Pulse     time.Duration     // of an acknowledgement; 0 where the station can't tell
	Height    station.Milliamps // of the same, above rest
}

var (
	makerRegister   = cv.Register{CV: 8}
	versionRegister = cv.Register{CV: 7}
)

// Identify reads what the decoder says of itself, and finds out in which modes it answers. It writes nothing, but for the page
// register of old decoders. Errors: [ErrSeveral]; those of [Session.Read]; [NotRead] where maker or version can't be proven.
func Identify(ctx context.Context, s *Session) (Identity, error) {
	id := Identity{Registers: cv.Values{}}
	d, err := s.Decoder(ctx)
	if err != nil {
		return Identity{}, err
	}
	id.Maker, id.Version = d.Maker, d.Version
	wanted := []nmra.CV{1, 7, 8, 17, 18, 19, 29}
	if id.Maker == cv.MakerIsExtended {
		wanted = append(wanted, 107, 108, 109, 110, 111)
	}
	for n, c := range wanted {
		s.progress("reading", n, len(wanted))
		got, err := s.Read(ctx, cv.Register{CV: c})
		if err != nil {
			return Identity{}, err
		}
		switch got.State {
		case Proven:
			id.Registers[got.Register] = got.Value
		case Absent:
			id.Absent = append(id.Absent, got.Register)
		}
	}
	for _, mode := range nmra.Modes {
		answers, err := s.answers(ctx, mode)
		if err != nil {
			return Identity{}, err
		}
		if answers {
			id.Modes = append(id.Modes, mode)
		}
	}
	id.Rest, id.Pulse, id.Height = s.rest.Rest, s.pulse.Pulse, s.pulse.Height
	return id, nil
}

// InUse is the address that the decoder answers to. One that has no CV 19 runs in no consist.
func (id Identity) InUse() cv.InUse {
	held := maps.Clone(id.Registers)
	if consist := (cv.Register{CV: cv.Consist}); slices.Contains(id.Absent, consist) {
		held[consist] = 0
	}
	return cv.AddressInUse(held)
}

// NotRead is the error of a register that has to be known and could not be proven.
type NotRead struct{ Reading }

func (e NotRead) Error() string {
	if e.State == Absent {
		return fmt.Sprintf("register %v: the decoder does not have it", e.Register)
	}
	return fmt.Sprintf("register %v: could not be proven: clean the wheels and the rails, and try again", e.Register)
}

// Decoder says which kind of decoder is on the track, from CV 8 and CV 7, as the journal of a batch wants it, and makes sure that there
// is only one. Errors: [ErrSeveral], [NotRead], those of [Session.Read].
func (s *Session) Decoder(ctx context.Context) (d journal.Decoder, err error) {
	if err := s.soleDecoder(ctx); err != nil {
		return d, err
	}
	d.Address = cv.Values{}
	for _, c := range [...]nmra.CV{1, 17, 18} {
		if v, known := s.held[cv.Register{CV: c}]; known {
			d.Address[cv.Register{CV: c}] = v
		}
	}
	if d.Maker, err = s.must(ctx, makerRegister); err != nil {
		return journal.Decoder{}, err
	}
	d.Version, err = s.must(ctx, versionRegister)
	return d, err
}

// must reads a register that has to be known.
func (s *Session) must(ctx context.Context, r cv.Register) (uint8, error) {
	got, err := s.Read(ctx, r)
	if err == nil && got.State != Proven {
		err = NotRead{got}
	}
	return got.Value, err
}

// answers says whether the decoder acknowledges, in a mode, what it is known to hold.
func (s *Session) answers(ctx context.Context, mode nmra.Mode) (bool, error) {
	if mode <= s.mode { // Start has tried the abler ones
		return mode == s.mode, nil
	}
	r := makerRegister
	if mode == nmra.AddressOnly {
		r.CV = 1
	}
	value, known := s.held[r]
	if !known || mode == nmra.AddressOnly && (value < 1 || value > nmra.MaxShort) {
		return false, nil
	}
	holds, err := s.holds(ctx, mode, r.CV, value)
	if errors.Is(err, nmra.ErrNotInMode) { // the station does not do it
		return false, nil
	}
	return holds, err
}
