package prog

import (
	"context"
	"fmt"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/station"
)

// Match says how what a decoder holds compares with what a file says.
type Match string

const (
	Right      Match = "right"
	Differs    Match = "differs"
	NotThere   Match = "absent" // the decoder has no such register, and should
	Unexpected Match = "there"  // the decoder has the register, and should not
	Uncertain  Match = "unsure"
)

// Checked is one register that was compared.
type Checked struct {
	Register cv.Register
	Mask     uint8 // the bits that count; 255 for the whole register
	Wanted   uint8 // no more bits than Mask has
	Found    Reading
	Match    Match
}

// Check compares a decoder with a register set. It writes nothing, but for CV 31 and 32, which are put back, where the set has
// registers on index pages. Errors: [OtherDecoder], those of [Session.Read].
func Check(ctx context.Context, s *Session, set regset.Set) ([]Checked, error) {
	if _, err := s.guard(ctx, set.Decoder.Maker, set.Decoder.Version); err != nil {
		return nil, err
	}
	// What a set asks of a byte shows where it is resolved from nothing, and from all bits set.
	zeros, ones := cv.Values{}, cv.Values{}
	for _, r := range set.Needs() {
		zeros[r], ones[r] = 0, 255
	}
	low, err := set.Wanted(zeros)
	if err != nil {
		return nil, err
	}
	high, err := set.Wanted(ones)
	if err != nil {
		return nil, err
	}
	var rows []Checked
	for _, r := range low.Registers() {
		rows = append(rows, Checked{Register: r, Mask: ^(low[r] ^ high[r]), Wanted: low[r] & high[r]})
	}
	return s.check(ctx, rows, careful)
}

// CheckSurvey compares a decoder with a survey: what it held, and what it did not have. Registers that the survey is not
// sure of, or that change by themselves, are left out.
func CheckSurvey(ctx context.Context, s *Session, survey regset.Survey) ([]Checked, error) {
	if _, err := s.guard(ctx, survey.Decoder.Maker, survey.Decoder.Version); err != nil {
		return nil, err
	}
	var rows []Checked
	for r, v := range survey.Registers {
		if !slices.Contains(survey.Changing, r) {
			rows = append(rows, Checked{Register: r, Mask: 255, Wanted: v})
		}
	}
	for _, r := range survey.Absent {
		rows = append(rows, Checked{Register: r, Match: NotThere})
	}
	return s.check(ctx, rows, quick)
}

// check reads each row's register. Rows that come as NotThere should not be.
func (s *Session) check(ctx context.Context, rows []Checked, counts float64) ([]Checked, error) {
	slices.SortFunc(rows, func(a, b Checked) int { return a.Register.Compare(b.Register) })
	var registers []cv.Register
	likely := cv.Values{}
	for _, row := range rows {
		registers = append(registers, row.Register)
		if row.Mask == 255 {
			likely[row.Register] = row.Wanted
		}
	}
	readings, err := s.readAll(ctx, "reading", registers, likely, counts, nil)
	if err != nil {
		return nil, err
	}
	for n := range rows {
		row := &rows[n]
		row.Found = readings[row.Register]
		expected := row.Match != NotThere
		switch found := row.Found; {
		case found.State == Unsure:
			row.Match = Uncertain
		case !expected && found.State == Absent, expected && found.State == Proven && found.Value&row.Mask == row.Wanted:
			row.Match = Right
		case !expected:
			row.Match = Unexpected
		case found.State == Absent:
			row.Match = NotThere
		default:
			row.Match = Differs
		}
	}
	return rows, s.Restore(ctx)
}

// WriteOnMain sends a value to a decoder on the main track, in the two identical packets that it takes there (S-9.2.1). Nothing comes
// back: that the decoder holds it is not proven.
func WriteOnMain(ctx context.Context, track station.Main, address nmra.Address, c nmra.CV, value uint8) error {
	packet, err := nmra.Instruction{Kind: nmra.MainWrite, Address: address, CV: c, Value: value}.Encode()
	if err != nil {
		return err
	}
	if _, err := track.PowerOn(ctx); err != nil {
		return fmt.Errorf("turning the main track on: %w", err)
	}
	if err := track.Send(ctx, packet, 2); err != nil {
		return fmt.Errorf("sending %v to %v: %w", packet, address, err)
	}
	return nil
}
