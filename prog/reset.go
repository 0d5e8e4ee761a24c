package prog

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// mostCycles is how often the track is turned off and on for a reset to complete; the standard says only "several".
const mostCycles = 10

// ResetResult is what a factory reset did.
type ResetResult struct {
	Acknowledged bool
	Proven       bool // CV 8 was seen to be resetting, or a register changed
	Cycles       int  // power cycles until CV 8 was itself again
	Rows         []ResetRow
}

// ResetRow is one register, before and after.
type ResetRow struct {
	Register      cv.Register
	Before, After Reading
}

// Changed says whether the reset changed the register, as far as is proven.
func (r ResetRow) Changed() bool {
	return r.Before.State != r.After.State || r.Before.State == Proven && r.Before.Value != r.After.Value
}

// Found is what the registers were proven to hold after the reset.
func (r ResetResult) Found() cv.Values {
	found := cv.Values{}
	for _, row := range r.Rows {
		if row.After.State == Proven {
			found[row.Register] = row.After.Value
		}
	}
	return found
}

// Reset does a factory reset as S-9.2.3 has it, with its power cycles, and reads the given registers before and after. Their values are
// recorded before, so that the reset can be undone as far as they go. Where the standard's register write is not
// acknowledged, CV 8 is written in the session's own mode too (common practice, no source). An acknowledgement alone proves
// nothing: it may have come from nowhere.
func Reset(ctx context.Context, s *Session, registers []cv.Register) (ResetResult, error) {
	var result ResetResult
	d, err := s.Decoder(ctx)
	if err != nil {
		return result, err
	}
	registers = slices.SortedFunc(slices.Values(registers), cv.Register.Compare)
	before, err := s.readAll(ctx, "reading", registers, nil, careful, nil)
	if err != nil {
		return result, err
	}
	if err := s.Restore(ctx); err != nil {
		return result, err
	}
	if s.recorder == nil {
		return result, errNoRecorder
	}
	old := held(before)
	old[makerRegister] = d.Maker
	if err := s.recorder.Held(old); err != nil {
		return result, err
	}
	if err := s.recorder.Writing(makerRegister, 8); err != nil {
		return result, err
	}
	modes := []nmra.Mode{nmra.Registers}
	if s.mode != nmra.Registers {
		modes = append(modes, s.mode)
	}
	for n, mode := range modes {
		result.Acknowledged, err = s.do(ctx, nmra.Access{Mode: mode, Operation: nmra.Write, CV: makerRegister.CV, Value: 8})
		if errors.Is(err, nmra.ErrNotInMode) && n < len(modes)-1 { // the station does not do it
			continue
		}
		if err != nil {
			return result, err
		}
		if result.Acknowledged {
			break
		}
	}
	clear(s.held)
	now, err := s.Read(ctx, makerRegister, cv.MakerResetting, d.Maker)
	if err != nil {
		return result, err
	}
	result.Proven = now.State == Proven && now.Value == cv.MakerResetting
	if err := s.PowerCycle(ctx); err != nil {
		return result, err
	}
	more, err := s.endReset(ctx)
	result.Cycles = 1 + more
	if err != nil {
		return result, err
	}
	after, err := s.readAll(ctx, "reading again", registers, old, careful, nil)
	if err != nil {
		return result, err
	}
	for _, r := range registers {
		row := ResetRow{r, before[r], after[r]}
		result.Rows = append(result.Rows, row)
		result.Proven = result.Proven || row.Changed() && row.Before.State == Proven && row.After.State == Proven
	}
	return result, s.Restore(ctx)
}

// endReset turns the track off and on until a factory reset that has begun is complete.
func (s *Session) endReset(ctx context.Context) (cycles int, err error) {
	for ; cycles < mostCycles; cycles++ {
		got, err := s.Read(ctx, makerRegister)
		if err != nil || got.State == Proven && got.Value != cv.MakerResetting {
			return cycles, err
		}
		s.progress("resetting", cycles, mostCycles)
		if err := s.PowerCycle(ctx); err != nil {
			return cycles, err
		}
	}
	return cycles, fmt.Errorf("a factory reset is not complete after %d power cycles: register 8 still holds %d", cycles, cv.MakerResetting)
}
