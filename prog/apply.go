package prog

import (
	"context"
	"errors"
	"fmt"
	"math/bits"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/journal"
)

// State says what became of one register of a batch, in the word that programs are given.
type State string

const (
	Unchanged     State = "unchanged" // it held the wanted value already
	Written       State = "written"   // it holds the wanted value now, and still after a power cycle
	Clamped       State = "clamped"   // the decoder took the write but holds another value: kept to a range, or some bits will not set
	ReadOnly      State = "read_only" // the decoder did not acknowledge the write and holds what it held
	NoRegister    State = "absent"    // the decoder has no such register
	Refused       State = "refused"   // the decoder would not take the value for another reason, which the note gives
	UnsureOfValue State = "unsure"    // what it holds could not be proven
)

// Good says whether the register holds what was wanted.
func (s State) Good() bool { return s == Unchanged || s == Written }

// Batch is what became of a plan.
type Batch struct {
	Title   string
	Decoder journal.Decoder
	Rows    []Row
}

// Row is one register of a batch.
type Row struct {
	Register cv.Register
	Before   Reading
	Wanted   uint8
	After    Reading // after a power cycle, where anything was written at all
	State    State
	Note     string // in words, what State leaves open; may be ""
}

// Count says how many rows are in a state.
func (b Batch) Count(s State) (n int) {
	for _, row := range b.Rows {
		if row.State == s {
			n++
		}
	}
	return n
}

// Good says whether every register holds what was wanted.
func (b Batch) Good() bool { return b.Count(Unchanged)+b.Count(Written) == len(b.Rows) }

// Found is what its registers were proven to hold in the end.
func (b Batch) Found() cv.Values {
	found := cv.Values{}
	for _, r := range b.Rows {
		if r.After.State == Proven {
			found[r.Register] = r.After.Value
		}
	}
	return found
}

// Apply does a plan: records the old values, writes what differs, verifies each write, turns the track off and on, and reads
// everything again. An error leaves what the recorder kept, for [Resume] and [Undo].
func (p Plan) Apply(ctx context.Context, s *Session) (Batch, error) {
	b := Batch{Title: p.Title, Decoder: p.Decoder}
	if !p.differs() {
		for _, step := range p.Steps {
			if !step.Kept {
				b.Rows = append(b.Rows, step.row(step.Before, Change{}, ""))
			}
		}
		return b, s.Restore(ctx)
	}
	before, wanted := cv.Values{}, cv.Values{}
	for _, step := range p.Steps {
		if step.Before.State == Proven {
			before[step.Register] = step.Before.Value
		}
		if !step.Kept {
			wanted[step.Register] = step.Wanted
		}
	}
	if s.recorder == nil {
		return b, errNoRecorder
	}
	if err := p.alone(ctx, s); err != nil {
		return b, err
	}
	if err := s.recorder.Held(before); err != nil {
		return b, err
	}
	if err := s.recorder.Wanted(wanted); err != nil {
		return b, err
	}
	changes, err := p.write(ctx, s)
	if err != nil {
		return b, err
	}
	locked, err := s.locked(ctx, changes)
	if err != nil {
		return b, err
	}
	if err := s.PowerCycle(ctx); err != nil {
		return b, err
	}
	after, err := s.readAll(ctx, "proving", before.Registers(), wanted, careful, nil)
	if err != nil {
		return b, err
	}
	for _, step := range p.Steps {
		final, read := after[step.Register]
		if !read {
			final = step.Before
		}
		row := step.row(final, changes[step.Register], locked)
		if step.Kept && row.State == Unchanged {
			continue
		}
		b.Rows = append(b.Rows, row)
	}
	return b, s.Restore(ctx)
}

// alone makes sure that no second decoder holds something else in what is about to be written: a vehicle may have two.
func (p Plan) alone(ctx context.Context, s *Session) error {
	for _, step := range p.Steps {
		if !step.Changes() {
			continue
		}
		if step.Register.Indexed() {
			if _, err := s.turnTo(ctx, step.Register.Page); err != nil {
				return err
			}
		}
		now, err := s.Read(ctx, step.Register)
		if err != nil {
			return err
		}
		if err := s.Alone(ctx, now); err != nil {
			return err
		}
	}
	return nil
}

// differs says whether there is anything to write.
func (p Plan) differs() bool {
	for _, step := range p.Steps {
		if step.Changes() {
			return true
		}
	}
	return false
}

// write writes the steps in their order, and puts CV 31 and 32 back.
func (p Plan) write(ctx context.Context, s *Session) (map[cv.Register]Change, error) {
	changes := map[cv.Register]Change{}
	pair := p.pair // CV 17 was written, and takes effect only when CV 18 is
	if p.key != nil {
		if _, err := s.Write(ctx, cv.Register{CV: cv.LockKey}, *p.key); err != nil {
			return nil, err
		}
	}
	for n, step := range p.Steps {
		s.progress("writing", n, len(p.Steps))
		if step.Before.State != Proven {
			continue
		}
		if c := step.Register.CV; c == indexHigh.CV || c == indexLow.CV {
			if err := s.Restore(ctx); err != nil {
				return nil, err
			}
			s.home = nil // from here on they are registers as any other
		}
		change, err := s.write(ctx, step.Register, step.Wanted, pair && step.Register.CV == 18)
		if err != nil {
			return nil, err
		}
		switch step.Register.CV {
		case 17:
			pair = pair || change.After.Value != change.Before.Value
		case 18:
			pair = false
		}
		changes[step.Register] = change
	}
	s.progress("writing", len(p.Steps), len(p.Steps))
	return changes, s.Restore(ctx)
}

// locked says, in words, that the decoder lock holds writes off, where a write was without any effect; otherwise "".
func (s *Session) locked(ctx context.Context, changes map[cv.Register]Change) (string, error) {
	idle := false
	for _, c := range changes {
		idle = idle || c.without()
	}
	if !idle {
		return "", nil
	}
	err := s.lock(ctx)
	var closed Locked
	if errors.As(err, &closed) {
		return closed.Error(), nil
	}
	return "", err
}

// without says whether a write was made that left the register as it was.
func (c Change) without() bool {
	return c.Tried && c.After.State == Proven && c.After.Value == c.Before.Value
}

// row says what became of a step. final was read at the very end.
func (p Step) row(final Reading, c Change, locked string) Row {
	row := Row{Register: p.Register, Before: p.Before, Wanted: p.Wanted, After: final}
	row.State, row.Note = p.judge(final, c, locked)
	if p.Kept {
		row.Note = strings.TrimPrefix(row.Note+"; writing another register changed it, and it is not in the set", "; ")
	}
	return row
}

func (p Step) judge(final Reading, c Change, locked string) (State, string) {
	switch {
	case p.Before.State == Absent:
		return NoRegister, ""
	case p.Before.State == Unsure:
		return UnsureOfValue, "not written, since what it held could not be proven"
	case final.State == Unsure:
		return UnsureOfValue, "what it holds now could not be proven"
	case final.State == Absent:
		return Refused, "it was there before and does not answer any more"
	case final.Value == p.Wanted && p.Before.Value == p.Wanted:
		return Unchanged, ""
	case final.Value == p.Wanted:
		return Written, ""
	case c.After.State == Proven && c.After.Value == p.Wanted:
		return Refused, fmt.Sprintf("it held %d until the power cycle, and holds %d after it", p.Wanted, final.Value)
	case locked != "" && c.without():
		return Refused, locked
	case final.Value == p.Before.Value && !c.Acknowledged:
		return ReadOnly, fmt.Sprintf("the decoder keeps %d and acknowledges no write", final.Value)
	case final.Value&^p.Wanted == 0 && len(cv.Explain(p.Register).Bits) > 0: // a number that is too large may look the same
		return Clamped, bitNames(p.Wanted&^final.Value) + " will not set"
	default:
		return Clamped, fmt.Sprintf("the decoder holds %d in its place", final.Value)
	}
}

// bitNames names the bits of a mask: "bit 3", "bits 0, 2 and 7".
func bitNames(mask uint8) string {
	var names []string
	for bit := range 8 {
		if mask>>bit&1 == 1 {
			names = append(names, fmt.Sprint(bit))
		}
	}
	if bits.OnesCount8(mask) == 1 {
		return "bit " + names[0]
	}
	last := len(names) - 1
	return "bits " + strings.Join(names[:last], ", ") + " and " + names[last]
}
