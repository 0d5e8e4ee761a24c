package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"fettle/prog"
	"fettle/prog/journal"
)

// newUndo makes the verb undo.
func newUndo() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "undo JOURNAL [flags]",
		Short: "Put back what each register held before the batch of a journal.",
		Long: `The plan is shown, done and proven, like that of a set, and has a journal of its own. A batch that was stopped is
undone as far as it came. Registers 7 and 8 are never written.`,
		Example:               "  fettle undo tram-3-20261125-074103.journal",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("journal", "JOURNAL"),
	},
		"every register holds what it held before, and that is proven",
		"a register does not, or it is another decoder",
		"stopped half-way; the journal named can resume it or undo it")
	track := addTrack(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		rec, err := journal.Read(args[0])
		if err != nil {
			return err
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error { return v.undo(ctx, rec, args[0]) })
	}
	return cmd
}

// undo puts back what a journal says, and ends that journal where it was still open.
func (v *visit) undo(ctx context.Context, rec journal.Record, path string) error {
	j, err := v.newJournal(ctx, "undo-"+journal.Stem(path), "undo", "undo of "+rec.Title)
	if err != nil {
		return err
	}
	b, err := v.batch(ctx, j, func() (prog.Plan, error) {
		p, err := prog.Undo(ctx, v.Session, rec)
		if err != nil {
			return p, err
		}
		return p, v.print("%s", undoPlan(p))
	})
	if err != nil {
		return err
	}
	if b.Good() && rec.Ended == "" {
		if err := endUndone(path); err != nil {
			return err
		}
	}
	return v.outcome(b, func(r prog.Row) bool { return r.State == prog.Unchanged })
}

// undoPlan says what will be put back. A journal may name hundreds of registers that hold what they held: those are counted, but for those
// that the batch did not touch itself.
func undoPlan(p prog.Plan) string {
	right := 0
	steps := slices.DeleteFunc(slices.Clone(p.Steps), func(step prog.Step) bool {
		same := step.Before.State == prog.Proven && !step.Changes()
		if same && !step.Kept {
			right++
		}
		return same
	})
	held := count(right, "register") + " that hold what they held"
	if right == 1 {
		held = "1 register that holds what it held"
	}
	if len(steps) == 0 {
		return fmt.Sprintf("Nothing to put back: found %s.\n\n", held)
	}
	if right == 0 {
		return fmt.Sprintf("To put back:\n\n%s\n", planTable(steps))
	}
	return fmt.Sprintf("To put back, beside %s:\n\n%s\n", held, planTable(steps))
}

// endUndone writes into the journal of a batch that was stopped that there is nothing left to go on with.
func endUndone(path string) error {
	j, _, err := journal.Reopen(path, time.Now())
	if err == nil {
		err = j.End(journal.Undone)
	}
	if err != nil {
		return fmt.Errorf("all is put back, but its journal does not say so: %w", err)
	}
	return nil
}
