package prog

import (
	"context"
	"errors"
	"fmt"
	"maps"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
)

// Resume plans the rest of a batch that was interrupted: what its journal says was wanted, and whatever else it touched as it
// was before. The rows then tell what was before the whole batch. A batch that was interrupted before its plan was made
// (rec.Wanted is nil) has nothing to resume: [Undo] puts back what it touched.
func Resume(ctx context.Context, s *Session, rec journal.Record) (Plan, error) {
	wanted := maps.Clone(rec.Held)
	maps.Copy(wanted, rec.Wanted)
	before := map[cv.Register]Reading{}
	for r, v := range rec.Held {
		before[r] = Reading{Register: r, State: Proven, Value: v}
	}
	p, err := s.again(ctx, rec, rec.Title, wanted, before)
	for i, step := range p.Steps {
		_, asked := rec.Wanted[step.Register]
		p.Steps[i].Kept = !asked
	}
	return p, err
}

// Wants says whether what the batch of a journal was to leave is what a set asks for: it is not where the set has been changed since.
func Wants(rec journal.Record, set regset.Set) bool {
	wanted, err := resolve(set, rec.Held)
	if err != nil || len(wanted) != len(rec.Wanted) {
		return false
	}
	for r, v := range rec.Wanted {
		named, ok := wanted[r]
		if !ok && r.Indexed() { // the set may name no page, and mean the one that was chosen
			named, ok = wanted[cv.Register{CV: r.CV}]
		}
		if !ok || named != v {
			return false
		}
	}
	return true
}

// Undo plans to leave in each register what it held before the batch of a journal. CV 7 and 8 are never written.
func Undo(ctx context.Context, s *Session, rec journal.Record) (Plan, error) {
	wanted := maps.Clone(rec.Held)
	delete(wanted, makerRegister)
	delete(wanted, versionRegister)
	return s.again(ctx, rec, "undo of "+rec.Title, wanted, nil)
}

// again plans for the decoder that a journal is of, and refuses any other. Where the batch has left the decoder locked, it is
// unlocked first.
func (s *Session) again(ctx context.Context, rec journal.Record, title string, wanted cv.Values,
	before map[cv.Register]Reading) (Plan, error) {
	if _, err := s.guard(ctx, &rec.Decoder.Maker, &rec.Decoder.Version); err != nil {
		return Plan{}, err
	}
	if err := s.sameVehicle(ctx, rec); err != nil {
		return Plan{}, err
	}
	p, err := s.plan(ctx, title, rec.Decoder, wanted, before)
	if err != nil {
		return Plan{}, err
	}
	for _, w := range rec.Writes {
		switch w.Register.CV {
		case cv.LockKey, cv.LockNumber:
			err := s.lock(ctx)
			var closed Locked
			if errors.As(err, &closed) {
				p.key = &closed.Key
			} else if err != nil {
				return Plan{}, err
			}
		case 17:
			p.pair = true
		case 18:
			p.pair = false
		}
	}
	return p, nil
}

// OtherVehicle is the error of resuming or undoing a batch on another decoder of the same kind.
type OtherVehicle struct {
	Register cv.Register
	Found    uint8
	Was      uint8
}

func (e OtherVehicle) Error() string {
	return fmt.Sprintf("register %v holds %d; it held %d when the batch began, which wrote no %d to it: "+
		"this is another decoder of the same kind, or its address has been changed since", e.Register, e.Found, e.Was, e.Found)
}

// sameVehicle compares the registers that tell decoders of one kind apart, their addresses, with what they held when the batch
// began, and with what it wrote. After a factory reset they say nothing.
func (s *Session) sameVehicle(ctx context.Context, rec journal.Record) error {
	for _, w := range rec.Writes {
		if w.Register == makerRegister {
			return nil
		}
	}
	for _, r := range rec.Address.Registers() {
		was := rec.Address[r]
		now, err := s.Read(ctx, r, was)
		if err != nil {
			return err
		}
		explained := now.State != Proven || now.Value == was
		for n, w := range rec.Writes {
			last := n == len(rec.Writes)-1 // it may have been cut short, and left the register erased
			explained = explained || w.Register == r && (w.Value == now.Value || last)
		}
		if !explained {
			return OtherVehicle{r, now.Value, was}
		}
	}
	return nil
}
