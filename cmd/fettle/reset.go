package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
)

// newReset makes the verb reset.
func newReset() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "reset [REG...] [flags]",
		Short: "Reset the decoder to its factory values, and say what that changed.",
		Long: `The registers are read first and kept in a journal, so that undo can put them back; then comes the factory reset as
NMRA S-9.2.3 has it, with its power cycles; then they are read again, and each that changed is named. Registers that
are not read change too, and can't be put back: give all that you care for. Without REG they are 1 to 256, or, on a
decoder without direct mode, 1 to 8, 17 to 19 and 29.

It asks first. With --then the set is applied only where the reset is proven: register 8 said that one was under way, or
a register changed.`,
		Example:               "  fettle reset\n  fettle reset 1-512 --then tram-3.toml --yes",
		DisableFlagsInUseLine: true,
	},
		"reset, and proven; with --then: and every register of the set holds what is wanted",
		"the decoder took no reset, or a register could not be proven; with --then: or does not hold what is wanted",
		"stopped half-way; the journal named can undo it")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	sure := false
	addMark(cmd.Flags(), &sure, true, "yes", "do not ask first")
	then := cmd.Flags().String("then", "", "apply the register set `SET` after it, and prove it")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, err := parseRegisters(args, s.ParseRange)
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		var set *regset.Set
		if *then != "" {
			read, err := regset.ReadFor(*then, s)
			if err != nil {
				return err
			}
			set = &read
		}
		if !sure && !terminal(os.Stdin) {
			return misuse(cmd, "what the decoder holds is lost: want --yes where there is nobody to ask")
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			if set != nil {
				if err := prog.Admit(ctx, v.Session, *set); err != nil {
					return fmt.Errorf("%w; nothing was reset", v.said(err))
				}
			}
			if !sure {
				if err := confirm(ctx, cmd.InOrStdin(), cmd.ErrOrStderr(), resetQuestion); err != nil {
					return err
				}
			}
			return v.reset(ctx, registers, set, *then)
		})
	}
	return cmd
}

const resetQuestion = "Reset this decoder to its factory values? What it holds is lost, but for what the journal keeps."

// confirm asks a person, and fails unless the answer is yes.
func confirm(ctx context.Context, in io.Reader, out io.Writer, question string) error {
	word, err := ask(ctx, in, out, question+" yes or no: ")
	if err == nil && word != "yes" {
		err = failure{badUse, errors.New("not confirmed: nothing was written")}
	}
	return err
}

// ask asks a person, and gives the line that is the answer.
func ask(ctx context.Context, in io.Reader, out io.Writer, question string) (string, error) {
	fmt.Fprint(out, question)
	answer := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(in).ReadString('\n') // what ends without an answer is none
		answer <- strings.TrimSpace(line)
	}()
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case word := <-answer:
		return word, nil
	}
}

// resetDocument is what --json says of a reset.
type resetDocument struct {
	stationDocument
	Acknowledged bool              `json:"acknowledged"`
	Proven       bool              `json:"proven"` // register 8 said that a reset was under way, or a register changed
	PowerCycles  int               `json:"power_cycles"`
	Registers    []changedDocument `json:"registers"` // that the decoder has
	Changed      int               `json:"changed"`
	Unsure       int               `json:"unsure"`
	costDocument
	Journal *string        `json:"journal"`
	Then    *batchDocument `json:"then,omitempty"`
}

type changedDocument struct {
	Register cv.Register `json:"register"`
	Before   *uint8      `json:"before"` // null where it is not proven
	After    *uint8      `json:"after"`  // likewise
	Changed  bool        `json:"changed"`
}

// reset resets the decoder, says what that changed, and puts a set on it where there is one.
func (v *visit) reset(ctx context.Context, registers []cv.Register, set *regset.Set, path string) error {
	if len(registers) == 0 {
		registers = usualRegisters(v.Mode())
	}
	result, err := v.factoryReset(ctx, registers)
	if err != nil {
		return err
	}
	d := v.resetReport(result)
	text := resetTable(result) + v.resetSummary(d)
	good := d.Unsure == 0 && d.Proven
	if set == nil || !d.Proven {
		if set != nil {
			text += "The set was not applied.\n"
		}
		if err := v.answer(text, d); err != nil {
			return err
		}
		return verdict(good)
	}
	if err := v.print("%s\n", text); err != nil {
		return err
	}
	b, err := v.putSet(ctx, *set, path)
	if err != nil {
		if v.asJSON { // for people it has been said
			err = errors.Join(err, v.answer("", d))
		}
		return err
	}
	then := v.report(b)
	d.Then = &then
	if err := v.answer(v.batchText(b), d); err != nil {
		return err
	}
	return verdict(good && b.Good())
}

// usualRegisters are what a reset is watched on, and what a probe looks into, where nobody says which. A decoder without direct mode is
// asked byte by byte: those that every old decoder is likely to have.
func usualRegisters(mode nmra.Mode) []cv.Register {
	ranges := []string{"1-8", "17-19", "29"}
	if mode == nmra.Direct {
		ranges = []string{"1-256"}
	}
	registers, _ := parseRegisters(ranges, cv.ParseRange)
	return registers
}

func (v *visit) factoryReset(ctx context.Context, registers []cv.Register) (prog.ResetResult, error) {
	j, err := v.newJournal(ctx, "reset", "reset", "factory reset")
	if err != nil {
		return prog.ResetResult{}, err
	}
	v.recorder.Begin(j, false)
	result, err := prog.Reset(ctx, v.Session, registers)
	switch {
	case err != nil && !v.recorder.Wrote:
		return result, v.unplanned(ctx, err)
	case err != nil:
		return result, v.halfway(err, false)
	}
	if err := j.Found(result.Found()); err != nil {
		return result, v.halfway(err, false)
	}
	return result, j.End(journal.WasReset)
}

func (v *visit) resetReport(result prog.ResetResult) resetDocument {
	d := resetDocument{
		stationDocument: v.station, costDocument: v.cost(), Journal: v.journalPath(),
		Acknowledged: result.Acknowledged, Proven: result.Proven, PowerCycles: result.Cycles, Registers: []changedDocument{},
	}
	for _, r := range result.Rows {
		if r.Before.State == prog.Absent && r.After.State == prog.Absent {
			continue
		}
		d.Registers = append(d.Registers, changedDocument{r.Register, r.Before.Known(), r.After.Known(), r.Changed()})
		switch {
		case r.Before.State == prog.Unsure, r.After.State == prog.Unsure:
			d.Unsure++
		case r.Changed():
			d.Changed++
		}
	}
	return d
}

// resetTable shows what changed, and what could not be proven.
func resetTable(result prog.ResetResult) string {
	t := newTable(column{"register", true}, column{"was", true}, column{"now", true}, column{"", false})
	for _, r := range result.Rows {
		switch {
		case r.Before.State == prog.Unsure, r.After.State == prog.Unsure:
			t.AppendRow([]any{r.Register, shown(r.Before), shown(r.After), "unsure: could not be proven"})
		case r.Changed():
			words := cv.Explain(r.Register).Name + cv.ChangedBits(r.Register, r.Before.Value, r.After.Value)
			t.AppendRow([]any{r.Register, shown(r.Before), shown(r.After), words})
		}
	}
	if t.Length() == 0 {
		return ""
	}
	return t.Render() + "\n\n"
}

func (v *visit) resetSummary(d resetDocument) string {
	text := fmt.Sprintf("Factory reset, complete after %s: ", count(d.PowerCycles, "power cycle"))
	if !d.Proven {
		text = "No sign of a reset: what it held may already be the factory values, or it does not know the factory reset.\n"
	}
	text += fmt.Sprintf("%d of %s that were read changed", d.Changed, count(len(d.Registers), "register"))
	if d.Unsure > 0 {
		text += fmt.Sprintf(", %d unsure", d.Unsure)
	}
	text += ".\n"
	if !d.Acknowledged {
		text += "The decoder did not acknowledge the reset.\n"
	}
	text += v.taken()
	if d.Journal != nil {
		text += " Journal: " + *d.Journal
	}
	return text + "\n"
}
