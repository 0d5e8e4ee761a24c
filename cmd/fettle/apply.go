package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// newApply makes the verb apply.
func newApply() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "apply SET [flags]",
		Short: "Put a register set on the decoder, and prove that it is there.",
		Long: `SET is a file of wanted values. What the decoder holds is read first, and only what differs is written, in an order in
which no write undoes another. Each write is read back at once, and everything again after a power cycle. Before a
new value goes to the track, the old one is in a journal in this folder: with that the batch can be undone, and gone on
with if it was stopped.

With --resume the one argument is the journal of a batch that was stopped (its name ends in .journal), or its set, whose
newest unfinished journal in this folder is then taken.`,
		Example:               "  fettle apply tram-3.toml --plan\n  fettle apply --resume tram-3-20261125-074103.journal",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("register set", "SET"),
	},
		"every register holds what is wanted, and that is proven; or the plan is shown",
		"a register does not, or could not be proven; or the set is for another decoder",
		"stopped half-way; the journal named can resume it or undo it")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	planOnly, resuming := false, false
	addMark(cmd.Flags(), &planOnly, true, "plan", "show what would be written, in which order and why, and write nothing")
	addMark(cmd.Flags(), &resuming, true, "resume", "go on with a batch that was stopped")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if planOnly && resuming {
			return misuse(cmd, "--plan and --resume: want one of them")
		}
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		if resuming {
			return track.resume(cmd, args[0], s)
		}
		set, err := regset.ReadFor(args[0], s)
		if err != nil {
			return err
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			if planOnly {
				return v.planSet(ctx, set)
			}
			return v.applySet(ctx, set, args[0])
		})
	}
	return cmd
}

// oneArgument wants one argument, which it names in words and as the usage line does.
func oneArgument(what, word string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) > 1:
			return misuse(cmd, "found %d arguments, want one %s", len(args), what)
		case len(args) == 0 || args[0] == "":
			return misuse(cmd, "no %s: want %s, the name of its file", what, word)
		}
		return nil
	}
}

// planSet shows the plan of a set.
func (v *visit) planSet(ctx context.Context, set regset.Set) error {
	p, err := v.prepare(ctx, set)
	if err != nil {
		return fmt.Errorf("%w; %s", v.said(err), v.untouched())
	}
	if err := v.Restore(ctx); err != nil {
		return err
	}
	d := v.plan(p)
	text := fmt.Sprintf("%s\n%d to write, %d already right", planTable(p.Steps), d.ToWrite, d.Holds)
	if d.Withheld > 0 {
		text += fmt.Sprintf(", %d left out", d.Withheld)
	}
	return v.answer(text+". This is the plan. "+sentence(v.untouched())+"\n"+v.taken()+"\n", d)
}

// applySet puts a set on the decoder.
func (v *visit) applySet(ctx context.Context, set regset.Set, path string) error {
	b, err := v.putSet(ctx, set, path)
	if err != nil {
		return err
	}
	return v.outcome(b)
}

func (v *visit) putSet(ctx context.Context, set regset.Set, path string) (prog.Batch, error) {
	j, err := v.newJournal(ctx, journal.Stem(path), "apply", set.Title)
	if err != nil {
		return prog.Batch{}, err
	}
	return v.batch(ctx, j, func() (prog.Plan, error) { return v.prepare(ctx, set) })
}

// prepare plans a set. Where single bits of it, with those that a register keeps, make a value that the visit's sheet refuses, so does prepare.
func (v *visit) prepare(ctx context.Context, set regset.Set) (prog.Plan, error) {
	p, err := prog.Prepare(ctx, v.Session, set)
	if err != nil {
		return p, err
	}
	for _, step := range p.Steps {
		if why := v.sheet.Refuse(step.Register, 255, step.Wanted); why != "" && step.Changes() && !step.Kept {
			return p, failure{badUse, fmt.Errorf("with the bits that register %v keeps: %s", step.Register, why)}
		}
	}
	return p, nil
}

// resume goes on with the batch of a journal, or of the newest one of a set.
func (t *trackFlags) resume(cmd *cobra.Command, path string, s sheet.Sheet) error {
	var set *regset.Set
	setPath := path
	if filepath.Ext(path) != ".journal" {
		read, err := regset.ReadFor(path, s)
		if err != nil {
			return err
		}
		set = &read
		if path, err = unfinished(".", journal.Stem(path), read.Title); err != nil {
			return misuse(cmd, "%w", err)
		}
	}
	rec, err := journal.Read(path)
	switch {
	case err != nil:
		return err
	case rec.Ended != "":
		return misuse(cmd, "%s: found a batch that ended (%s), want one that was stopped", path, rec.Ended)
	case rec.Batch != "apply" && rec.Batch != "write" && rec.Batch != "undo":
		return misuse(cmd, "%s: found the journal of %s, which can't be gone on with: fettle undo %s puts back what it is known to have changed",
			path, rec.Batch, shellWord(path))
	}
	if set != nil && rec.Wanted != nil && !prog.Wants(rec, *set) {
		return misuse(cmd, "%s has changed since %s: go on with the journal by its own name, or undo it and apply the set", setPath, path)
	}
	return t.visit(cmd, func(ctx context.Context, v *visit) error {
		if err := v.use(ctx, s); err != nil {
			return err
		}
		j, rec, err := journal.Reopen(path, time.Now())
		if err != nil {
			return err
		}
		v.recorder.Begin(j, true)
		if rec.Wanted != nil {
			return v.goOn(ctx, rec)
		}
		if err := v.putBack(ctx, rec); err != nil {
			return err
		}
		if set == nil {
			return failure{saidNo, fmt.Errorf("%s: %s; apply the set again", path, beforePlan)}
		}
		if err := v.print("Resuming: %s. It begins again.\n\n", beforePlan); err != nil {
			return err
		}
		return v.applySet(ctx, *set, setPath)
	})
}

const beforePlan = "the batch was stopped before it was planned: what it had touched is as it was"

// goOn does the rest of a batch.
func (v *visit) goOn(ctx context.Context, rec journal.Record) error {
	p, err := prog.Resume(ctx, v.Session, rec)
	if err != nil {
		return v.leave(err)
	}
	b, err := v.carryOut(ctx, p, journal.Proven)
	if err != nil {
		return err
	}
	return v.outcome(b)
}

// putBack puts back what a batch touched before it was planned.
func (v *visit) putBack(ctx context.Context, rec journal.Record) error {
	p, err := prog.Undo(ctx, v.Session, rec)
	if err != nil {
		return v.leave(err)
	}
	b, err := v.carryOut(ctx, p, journal.PutBack)
	if err != nil || b.Good() {
		return err
	}
	return v.outcome(b)
}

// leave closes a journal that can still be gone on with. Where the decoder is another, that is all there is to say.
func (v *visit) leave(err error) error {
	var kind prog.OtherDecoder
	var vehicle prog.OtherVehicle
	if errors.As(err, &kind) || errors.As(err, &vehicle) {
		return errors.Join(fmt.Errorf("%w; nothing was written", v.said(err)), v.recorder.Close())
	}
	return v.halfway(err, true)
}

// unfinished finds the newest journal in a folder of a batch that was to apply a set and did not end. One that can't be read may be it: where
// none that is newer can be, that is an error.
func unfinished(folder, name, title string) (path string, err error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return "", err
	}
	var newest time.Time
	var unread error // of the one at newest
	for _, e := range entries {
		if filepath.Ext(e.Name()) != ".journal" || e.Name() == name+".journal" || journal.Stem(e.Name()) != name {
			continue
		}
		p := filepath.Join(folder, e.Name())
		rec, err := journal.Read(p)
		when := rec.When
		if err != nil {
			info, infoErr := e.Info()
			if infoErr != nil {
				return "", infoErr
			}
			when = info.ModTime()
		} else if rec.Batch != "apply" || rec.Title != title || rec.Ended != "" {
			continue
		}
		if !when.Before(newest) {
			path, newest, unread = p, when, err
		}
	}
	switch {
	case path == "":
		return "", fmt.Errorf("no unfinished journal of %s is in this folder: apply the set without --resume", name)
	case unread != nil:
		return "", fmt.Errorf("the newest journal of %s can't be read: %w; move it away, or give the name of the journal to go on with", name, unread)
	}
	return path, nil
}
