package serve

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// Phases of a Batch.
const (
	batchPlanned   = "planned"
	batchWriting   = "writing"
	batchProven    = "proven"
	batchNotProven = "not_proven"
	batchStopped   = "stopped"
)

// batch is what State.Batch is of.
type batch struct {
	set     *regset.Set // nil: it was found in the folder
	sheet   sheet.Sheet // in whose names the set is; the zero Sheet: in none
	name    string      // of its file, for the journal
	steps   []prog.Step // as they are shown
	journal string      // path of the journal; "" where there is none
	halfway bool        // it was stopped by this server, and something was written
}

// plan reads what a set is about to change, and shows what would be written.
func (s *Server) plan(j *job, o Order, reply func(Answer)) error {
	b, err := s.chosenSet(o)
	answer := Answer{}
	if err != nil {
		answer.Refused = sentence(err)
	}
	s.mu.Lock()
	reply(answer)
	s.mu.Unlock()
	if err != nil {
		return nil // it was answered
	}
	var p prog.Plan
	if err := s.visit(j, nil, func(v *visit) (err error) {
		p, err = b.prepare(v)
		return err
	}); err != nil {
		return err
	}
	b.steps = p.Steps
	s.showPlan(b, p, batchPlanned)
	return nil
}

// prepare plans the set. Where single bits of it, with those that a register keeps, make a value that its sheet refuses, so does prepare.
func (b *batch) prepare(v *visit) (prog.Plan, error) {
	p, err := prog.Prepare(v.ctx, v.Session, *b.set)
	if err != nil {
		return p, err
	}
	for _, step := range p.Steps {
		if why := b.sheet.Refuse(step.Register, 255, step.Wanted); why != "" && step.Changes() && !step.Kept {
			return p, fmt.Errorf("with the bits that register %v keeps: %s", step.Register, why)
		}
	}
	return p, nil
}

// chosenSet is the set that an order means.
func (s *Server) chosenSet(o Order) (*batch, error) {
	if o.Text != "" {
		return s.parseSet("text", []byte(o.Text))
	}
	if err := s.look(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	listed := slices.Contains(s.state.Sets, o.File)
	s.mu.Unlock()
	if !listed {
		return nil, errors.New("there is no such register set in the folder")
	}
	data, err := s.folder.read(o.File)
	if err != nil {
		return nil, err
	}
	return s.parseSet(o.File, data)
}

// parseSet reads a set: in the standard's notation, or else in the names of a sheet of the folder.
func (s *Server) parseSet(file string, data []byte) (*batch, error) {
	set, err := regset.Parse(file, data)
	if err == nil {
		return &batch{set: &set, name: journal.Stem(file)}, nil
	}
	for _, terms := range s.folder.sheets() {
		if set, err := regset.ParseFor(file, data, terms); err == nil {
			return &batch{set: &set, sheet: terms, name: journal.Stem(file)}, nil
		}
	}
	return nil, err
}

// apply does the plan that is shown. The decoder is read once more before: where that gives another plan, that one is shown.
func (s *Server) apply(j *job) error {
	s.mu.Lock()
	b := s.batch
	s.mu.Unlock()
	likely := map[cv.Register]prog.Hint{}
	for _, step := range b.steps {
		if step.Before.State == prog.Proven {
			likely[step.Register] = prog.Hint{Values: []uint8{step.Before.Value}}
		}
	}
	return s.visit(j, func(r cv.Register) prog.Hint { return likely[r] }, func(v *visit) error {
		log, err := v.newJournal(b.name, "apply", b.set.Title)
		if err != nil {
			return err
		}
		v.keeper.Begin(log, false)
		p, err := b.prepare(v)
		if err != nil {
			return v.unplanned(err)
		}
		if !sameSteps(b.steps, p.Steps) {
			s.showPlan(&batch{set: b.set, sheet: b.sheet, name: b.name, steps: p.Steps}, p, batchPlanned)
			return v.unplanned(errors.New("the decoder holds something else than when the plan was shown: look at the plan again"))
		}
		return v.carryOut(b, p, journal.Proven)
	})
}

// sameSteps says whether two plans do the same to the same.
func sameSteps(a, b []prog.Step) bool {
	return slices.EqualFunc(a, b, func(a, b prog.Step) bool {
		return a.Register == b.Register && a.Wanted == b.Wanted && a.Before.State == b.Before.State && a.Before.Value == b.Before.Value
	})
}

// carryOut does a plan, shows what became of it, and ends the journal with how, or with not proven.
func (v *visit) carryOut(b *batch, p prog.Plan, how string) error {
	v.server.showPlan(b, p, batchWriting)
	got, err := p.Apply(v.ctx, v.Session)
	switch {
	case err != nil && !v.keeper.Wrote:
		return v.unplanned(err)
	case err != nil:
		return v.halfway(b, p, err)
	}
	if !v.keeper.Planned && !v.keeper.Reopened {
		v.server.showBatch(b, got) // there was nothing to write
		return v.keeper.Discard()
	}
	b.journal = v.keeper.Path()
	if err := v.keeper.Found(got.Found()); err != nil {
		return v.halfway(b, p, err)
	}
	if !got.Good() {
		how = journal.NotProven
	}
	err = v.keeper.End(how)
	v.server.showBatch(b, got)
	return err
}

// unplanned ends a batch of which nothing has been written yet, but perhaps the choice of an index page.
func (v *visit) unplanned(err error) error {
	if restoring := v.Restore(context.WithoutCancel(v.ctx)); restoring != nil {
		why := fmt.Errorf("%w: %w; registers 31 and 32 are not put back (%s), %s has what they held", errExplained, v.cause(err), v.keeper.Home(), filepath.Base(v.keeper.Path()))
		return errors.Join(why, v.keeper.Close())
	}
	v.server.change(func(t *State) {
		if t.Batch != nil && t.Batch.Phase == batchWriting {
			again := *t.Batch
			again.Phase = batchPlanned
			t.Batch = &again
		}
	})
	if v.keeper.Reopened {
		return errors.Join(fmt.Errorf("%w: %w; nothing was written", errExplained, v.cause(err)), v.keeper.Close())
	}
	return errors.Join(fmt.Errorf("%w: %w; nothing was written", errExplained, v.cause(err)), v.keeper.Discard())
}

// cause is why work ended: what stopped it, where something did.
func (v *visit) cause(err error) error {
	if why := context.Cause(v.ctx); atOnce(why) {
		return why
	}
	return err
}

// halfway leaves a batch that was stopped while it was written, for another time.
func (v *visit) halfway(b *batch, p prog.Plan, err error) error {
	left := *b
	left.journal, left.halfway = v.keeper.Path(), true
	v.server.showPlan(&left, p, batchStopped)
	v.server.change(func(t *State) {
		stopped := *t.Batch
		stopped.Summary = "Some of it may be written. Go on with it, or undo it; its journal knows how."
		t.Batch = &stopped
	})
	why := fmt.Errorf("%w half-way: %w", errExplained, v.cause(err))
	return errors.Join(why, v.keeper.Close())
}

// resume goes on with the batch that was stopped. One that was stopped before it had a plan is put back.
func (s *Server) resume(j *job) error {
	s.mu.Lock()
	b := *s.batch
	s.mu.Unlock()
	return s.visit(j, nil, func(v *visit) error {
		log, rec, err := journal.Reopen(b.journal, time.Now())
		if err != nil {
			return err
		}
		v.keeper.Begin(log, true)
		again, how := prog.Resume, journal.Proven
		if rec.Wanted == nil {
			again, how = prog.Undo, journal.PutBack
		}
		p, err := again(j.ctx, v.Session, rec)
		if err != nil {
			return v.left(err)
		}
		return v.carryOut(&b, p, how)
	})
}

// left leaves a journal that can still be gone on with, another time or with another decoder.
func (v *visit) left(err error) error {
	return errors.Join(fmt.Errorf("%w: %w; nothing more was written", errExplained, v.cause(err)), v.keeper.Close())
}

// undo puts back what a batch changed, and ends its journal where that was still open.
func (s *Server) undo(j *job) error {
	s.mu.Lock()
	b := *s.batch
	s.mu.Unlock()
	rec, err := journal.Read(b.journal)
	if err != nil {
		return err
	}
	good := false
	err = s.visit(j, nil, func(v *visit) error {
		log, err := v.newJournal("undo-"+journal.Stem(b.journal), "undo", "undo of "+rec.Title)
		if err != nil {
			return err
		}
		v.keeper.Begin(log, false)
		p, err := prog.Undo(j.ctx, v.Session, rec)
		if err != nil {
			return v.unplanned(err)
		}
		if err := v.carryOut(&batch{name: b.name}, p, journal.Proven); err != nil {
			return err
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		good = s.state.Batch.Phase == batchProven
		return nil
	})
	if err != nil || !good || rec.Ended != "" {
		return err
	}
	log, _, err := journal.Reopen(b.journal, time.Now())
	if err == nil {
		err = log.End(journal.Undone)
	}
	if err != nil {
		return fmt.Errorf("all is put back, but its journal does not say so: %w", err)
	}
	return nil
}

// offer shows the newest batch of the folder that was stopped, where no batch is shown: of a decoder, or of any where nobody has looked yet.
func (s *Server) offer(of *journal.Decoder) {
	s.mu.Lock()
	taken := s.batch != nil && (s.batch.set != nil || s.batch.halfway || s.state.Batch.Phase != batchStopped)
	s.mu.Unlock()
	if taken {
		return
	}
	name, rec := s.folder.unfinished(of)
	s.mu.Lock()
	defer s.mu.Unlock()
	if name == "" {
		s.batch, s.state.Batch = nil, nil
		s.said()
		return
	}
	shown := &Batch{Title: rec.Title, Phase: batchStopped, Rows: []Row{}, Journal: name, Summary: fmt.Sprintf(
		"It was for a decoder of maker %d, version %d, at %s. Go on with it, or undo it.",
		rec.Decoder.Maker, rec.Decoder.Version, rec.When.Format("2006-01-02 15:04"))}
	begun := map[cv.Register]bool{}
	for _, w := range rec.Writes {
		begun[w.Register] = true
	}
	for _, r := range rec.Wanted.Registers() {
		row := Row{Register: r.String(), Wanted: rec.Wanted[r], State: "to_write", Words: "to be written"}
		if held, ok := rec.Held[r]; ok {
			row.Before = &held
			if held == rec.Wanted[r] {
				row.State, row.Words = string(prog.Unchanged), "was right already, to be read again"
			}
		}
		if begun[r] {
			row.Words = "begun, to be proven"
		}
		shown.Rows = append(shown.Rows, row)
	}
	s.batch, s.state.Batch = &batch{name: journal.Stem(name), journal: s.folder.path(name)}, shown
	s.said()
}
