package prog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// NotAsSurveyed is the error of a survey that can't be gone on with, since the decoder does not hold what it says.
type NotAsSurveyed struct {
	Registers []Checked // that differ
}

func (e NotAsSurveyed) Error() string {
	const most = 5
	var said []string
	for n, c := range e.Registers {
		if n == most {
			said = append(said, fmt.Sprintf("and %d more", len(e.Registers)-most))
			break
		}
		holds := fmt.Sprint("holds ", c.Found.Value)
		if c.Found.State == Absent {
			holds = "is absent"
		}
		said = append(said, fmt.Sprintf("register %v %s, and the survey says %d", c.Register, holds, c.Wanted))
	}
	return strings.Join(said, "; ") +
		": the survey is of another decoder, or was edited, or the decoder has been written to since. Begin a new survey"
}

// marks are the registers that are held first against a survey: those that tell decoders of one kind apart.
var marks = []cv.Register{{CV: 1}, {CV: 17}, {CV: 18}}

// ResumeSurvey holds every value of a survey that was stopped against the decoder, those that tell decoders apart first, and
// gives what is left of it; what could not be proven before is left too. A register that differs each time it is asked changes
// by itself, as do the volatile ones of S-9.2.2 and CV 30 where they differ. Where a page may have been left chosen, CV 31 and
// 32 are put back to what the survey says once all other registers have been found to be as it says. Errors: [OtherDecoder],
// [NotAsSurveyed], those of [Session.Read].
func ResumeSurvey(ctx context.Context, s *Session, survey regset.Survey) (regset.Survey, error) {
	if _, err := s.guard(ctx, survey.Decoder.Maker, survey.Decoder.Version); err != nil {
		return survey, err
	}
	survey.Changing = slices.Clone(survey.Changing)
	home := homeOf(survey)
	turned := home != nil && (survey.Pages == nil || len(survey.Pages) > 0)
	var first, plain, paged []cv.Register
	for _, r := range survey.Registers.Registers() {
		switch {
		case slices.Contains(survey.Changing, r), turned && chooses(r) == 1:
		case slices.Contains(marks, r):
			first = append(first, r)
		case r.Indexed():
			paged = append(paged, r)
		default:
			plain = append(plain, r)
		}
	}
	for _, rs := range [][]cv.Register{first, plain} {
		if err := s.compare(ctx, &survey, rs); err != nil {
			return survey, err
		}
	}
	if turned {
		if now, err := s.chosen(ctx); err != nil {
			return survey, err
		} else if now == nil {
			return survey, ErrNoPages
		}
		s.home = home
	}
	if err := s.compare(ctx, &survey, paged); err != nil {
		var not NotAsSurveyed
		if errors.As(err, &not) {
			err = errors.Join(err, s.Restore(ctx))
		}
		return survey, err
	}
	survey.Once = nil
	if turned {
		survey.Once = []cv.Register{indexHigh, indexLow}
	}
	survey.Left = slices.SortedFunc(slices.Values(slices.Concat(survey.Left, survey.Unsure)), cv.Register.Compare)
	survey.Unsure = nil
	return survey, s.Restore(ctx)
}

// compare holds registers against a survey, and marks in it those that change by themselves.
func (s *Session) compare(ctx context.Context, survey *regset.Survey, rs []cv.Register) error {
	readings, err := s.readAll(ctx, "holding it against the decoder", rs, survey.Registers, quick, nil)
	if err != nil {
		return err
	}
	var differ []cv.Register
	for _, r := range rs {
		switch got := readings[r]; {
		case got.State == Proven && got.Value == survey.Registers[r]:
		case got.State == Proven && changes(r):
			survey.Changing = append(survey.Changing, r)
		default:
			differ = append(differ, r)
			delete(s.held, r)
		}
	}
	again, err := s.readAll(ctx, "asking again", differ, held(readings), quick, nil)
	if err != nil {
		return err
	}
	var wrong NotAsSurveyed
	for _, r := range differ {
		switch first, second := readings[r], again[r]; {
		case second.State == Unsure:
			return NotRead{second}
		case first.State == Proven && second.State == Proven && first.Value != second.Value:
			survey.Changing = append(survey.Changing, r)
		case second.State == Proven && second.Value == survey.Registers[r]: // which could not be proven at first
		default:
			wrong.Registers = append(wrong.Registers, Checked{Register: r, Mask: 255, Wanted: survey.Registers[r], Found: second, Match: Differs})
		}
	}
	slices.SortFunc(survey.Changing, cv.Register.Compare)
	if wrong.Registers != nil {
		return wrong
	}
	return nil
}

// changes says whether the standard has the register change by itself: the volatile ones, and the error information (S-9.2.2).
func changes(r cv.Register) bool { return r.CV == 30 || r.Volatile() }
