package prog

import (
	"context"
	"fmt"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// resetting is what CV 8 holds while a factory reset is not complete (S-9.2.3, section E).
const resetting = 255

// mostCycles is how often the track is turned off and on for a reset to complete; the standard says only "several".
const mostCycles = 10

// ResetResult is what a factory reset did.
type ResetResult struct {
	Acknowledged bool
	Cycles       int // power cycles until CV 8 was itself again
	Complete     bool
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

// Reset does a factory reset as S-9.2.3 has it, with its power cycles, and reads the given registers before and after. Their values are
// recorded before, so that the reset can be undone as far as they go. Where the standard's register write is not
// acknowledged, CV 8 is written in the session's own mode too (common practice, no source).
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
	for _, mode := range modes {
		clear(s.held)
		result.Acknowledged, err = s.do(ctx, nmra.Access{Mode: mode, Operation: nmra.Write, CV: makerRegister.CV, Value: 8})
		if err != nil {
			return result, err
		}
		if result.Acknowledged {
			break
		}
	}
	for !result.Complete && result.Cycles < mostCycles {
		s.progress("resetting", result.Cycles, mostCycles)
		if err := s.PowerCycle(ctx); err != nil {
			return result, err
		}
		result.Cycles++
		got, err := s.Read(ctx, makerRegister, d.Maker, resetting)
		if err != nil {
			return result, err
		}
		result.Complete = got.State == Proven && got.Value != resetting
	}
	s.progress("resetting", mostCycles, mostCycles)
	if !result.Complete {
		return result, fmt.Errorf("the reset was not complete after %d power cycles: register 8 still holds %d", result.Cycles, resetting)
	}
	after, err := s.readAll(ctx, "reading again", registers, old, careful, nil)
	if err != nil {
		return result, err
	}
	for _, r := range registers {
		result.Rows = append(result.Rows, ResetRow{r, before[r], after[r]})
	}
	return result, s.Restore(ctx)
}
