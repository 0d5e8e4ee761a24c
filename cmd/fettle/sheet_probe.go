package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// newSheetProbe makes the verb sheet probe.
func newSheetProbe() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "probe [REG...] [flags]",
		Short: "Find out, by writing and restoring, what each register takes.",
		Long: `Each register is written a few times, to see which of its bits change and within which limits, and put back before
the next one. All old values are in a journal before the first write, and everything is read again after a power
cycle. Addresses, lock, consist, index, maker's numbers and volatile registers are never written, nor bits 5 and 7 of
29. Without REG the registers are those of --survey, else 1 to 256, or, on a decoder without direct mode, 1 to 8, 17
to 19 and 29.

It asks first. A register of the maker's own may do more than hold a value: have a survey of the decoder, and be ready
to reset it. Stored values wear with each write, so probe a decoder once. The vehicle may twitch with each
acknowledgement: see that it can't roll away, and leave it on the track until all is done.`,
		Example: "  fettle sheet probe --survey engine-21.toml --to engine-21-probe.toml\n" +
			"  fettle sheet probe 257-264@17.0 --station bench:engine-30 --yes",
		DisableFlagsInUseLine: true,
	},
		"probed, and all registers hold what they held",
		"a register does not hold what it held, or the decoder is locked or another one",
		"stopped half-way; the journal named can undo it, and --to FILE goes on")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	var p probing
	addMark(cmd.Flags(), &p.sure, true, "yes", "do not ask first")
	survey := cmd.Flags().String("survey", "", "probe what the survey `FILE` lists")
	cmd.Flags().StringVar(&p.to, "to", "", "write what is found to `FILE`; what is there already is not probed again")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, err := parseRegisters(args, s.ParseRange)
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		if err := p.read(*survey); err != nil {
			return err
		}
		if !p.sure && !terminal(os.Stdin) {
			return misuse(cmd, "it writes to the decoder: want --yes where there is nobody to ask")
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			p.choose(registers, s, v.Mode())
			if !p.sure {
				if err := confirm(ctx, cmd.InOrStdin(), cmd.ErrOrStderr(), p.question()); err != nil {
					return err
				}
			}
			return v.probe(ctx, p)
		})
	}
	return cmd
}

// probing is what a probe is to do.
type probing struct {
	prog.Probe
	sure   bool
	survey *regset.Survey // nil: none was given
	to     string         // "": named as the journal
	found  sheet.Findings // as far as they are there
	left   []cv.Register  // that are left alone
	known  int            // how many are in found already
}

// read reads the survey that path names, where there is one, and what has been found before. Both have to be of one kind of decoder.
func (p *probing) read(path string) error {
	if path != "" {
		survey, err := regset.ReadSurvey(path)
		if err != nil {
			return err
		}
		p.survey, p.Decoder, p.Likely = &survey, survey.Decoder, survey.Registers
	}
	if _, err := os.Stat(p.to); p.to == "" || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	var err error
	if p.found, err = sheet.ReadFindings(p.to); err != nil {
		return err
	}
	both, ok := p.Decoder.And(p.found.Decoder)
	if !ok {
		return fmt.Errorf("%s: found %v, want %v, as in %s", p.to, p.found.Decoder, p.Decoder, path)
	}
	p.Decoder = both
	return nil
}

// choose works out what to probe: the registers, else those of the survey, else those that a decoder is likely to have; without those
// that are found already, and those that the sheet marks.
func (p *probing) choose(registers []cv.Register, s sheet.Sheet, mode nmra.Mode) {
	var changing []cv.Register
	if p.survey != nil {
		changing = p.survey.Changing
	}
	switch {
	case len(registers) > 0:
	case p.survey != nil:
		registers = p.survey.Registers.Registers()
	default:
		registers = usualRegisters(mode)
	}
	known := map[cv.Register]bool{}
	for _, f := range p.found.Found {
		known[f.Register] = true
	}
	for _, r := range registers {
		_, absent := s.Hint(r)
		e, _, _ := s.Entry(r)
		switch {
		case known[r]:
			p.known++
		case prog.Spared(r) != "", absent, e.ReadOnly, slices.Contains(s.Changing, r), slices.Contains(changing, r):
			p.left = append(p.left, r)
		default:
			p.Registers = append(p.Registers, r)
		}
	}
}

func (p *probing) question() string {
	return fmt.Sprintf("Write to %s of this decoder, as far as it has them? Each is put back before the next one.",
		count(len(p.Registers), "register"))
}

// probe probes, and keeps what is found as it goes.
func (v *visit) probe(ctx context.Context, p probing) error {
	j, err := v.newJournal(ctx, "probe", "probe", "probe")
	if err != nil {
		return err
	}
	v.recorder.Journal = j
	d, err := v.Decoder(ctx)
	if err != nil {
		return err
	}
	p.found.Decoder = regset.Guard{Maker: &d.Maker, Version: &d.Version}
	p.found.When, p.found.Station = time.Now(), v.station.Station
	p.Found = func(row prog.Probed) error {
		if p.to == "" {
			p.to = strings.TrimSuffix(j.Path(), ".journal") + ".toml"
		}
		if !row.Done() {
			return nil
		}
		p.found.Found = append(p.found.Found, row.Finding)
		return regset.WriteFile(p.to, p.found.Append(nil))
	}
	result, err := p.Run(ctx, v.Session)
	if err != nil {
		return v.unfinished(err, p)
	}
	how := journal.Probed
	if result.Changed != nil {
		how = journal.NotProven
	}
	if err := j.End(how); err != nil {
		return err
	}
	doc := v.probeReport(p, result)
	if err := v.answer(v.probeText(doc, result), doc); err != nil {
		return err
	}
	return verdict(result.Changed == nil && len(doc.Unsure) == 0)
}

// unfinished is the failure of a probe that was stopped: why, and how to go on or back.
func (v *visit) unfinished(err error, p probing) error {
	var stuck prog.NotRestored
	var locked prog.Locked
	if errors.As(err, &locked) {
		return errors.Join(err, v.recorder.End(journal.PutBack)) // nothing that was written had an effect
	}
	advice := ""
	if len(p.found.Found) > 0 {
		advice = "\nto go on:    the same command with --to " + shellWord(p.to)
	}
	if errors.As(err, &stuck) {
		err = fmt.Errorf("%w%s%s\nif that does not help, a factory reset may: fettle reset%s", err, advice, v.advice(false), v.flags)
		return failure{saidNo, errors.Join(err, v.recorder.Close())}
	}
	half := v.halfway(err, false)
	if advice == "" || v.recorder.Path() == "" {
		return half
	}
	return failure{statusOf(half), fmt.Errorf("%w%s", half, advice)}
}
