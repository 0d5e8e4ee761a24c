package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog"
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
29. Without REG the registers are those of --survey, else 1 to 256.

It asks first. A register of the maker's own may do more than hold a value: have a survey of the decoder, and be ready
to reset it. Stored values wear with each write, so probe a decoder once. The vehicle may twitch with each
acknowledgement: see that it can't roll away, and leave it on the track until all is done.`,
		Example:               "  fettle sheet probe --survey engine-21.toml --to engine-21-probe.toml\n  fettle sheet probe 257-264@17.0 --station bench:engine-30 --yes",
		DisableFlagsInUseLine: true,
	},
		"probed, and all registers hold what they held",
		"a register does not hold what it held, or the decoder is locked or another one",
		"stopped half-way; the journal named can undo it, and --to FILE goes on")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	p := probing{}
	addMark(cmd.Flags(), &p.sure, true, "yes", "do not ask first")
	survey := cmd.Flags().String("survey", "", "probe what the survey `FILE` lists")
	cmd.Flags().StringVar(&p.to, "to", "", "write what is found to `FILE`; what is there already is not probed again")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, values, err := parseSettings(args, s.ParseRange)
		if err == nil && len(values) > 0 {
			err = fmt.Errorf("found a value, want registers only")
		}
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		if err := p.gather(registers, s, *survey); err != nil {
			return err
		}
		if !p.sure && !terminal(os.Stdin) {
			return misuse(cmd, "it writes to the decoder: want --yes where there is nobody to ask")
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
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
	sure  bool
	to    string         // "": named as the journal
	found sheet.Findings // as far as they are there
	left  []cv.Register  // that are left alone
	known int            // how many are in found already
}

// gather works out what to probe: the registers, else those of the survey, else 1 to 256; without those that are found already, and those
// that the sheet marks. path is that of the survey.
func (p *probing) gather(registers []cv.Register, s sheet.Sheet, path string) error {
	var survey regset.Survey
	var err error
	if path != "" {
		if survey, err = regset.ReadSurvey(path); err != nil {
			return err
		}
		p.Decoder, p.Likely = survey.Decoder, survey.Registers
	}
	if p.to != "" {
		_, err := os.Stat(p.to)
		if err == nil {
			p.found, err = sheet.ReadFindings(p.to)
		} else if errors.Is(err, os.ErrNotExist) {
			err = nil
		}
		if err != nil {
			return err
		}
		both, ok := p.Decoder.And(p.found.Decoder)
		if !ok {
			return fmt.Errorf("%s: found %v, want %v, as in %s", p.to, p.found.Decoder, p.Decoder, path)
		}
		p.Decoder = both
	}
	switch {
	case len(registers) > 0:
	case path != "":
		registers = survey.Registers.Registers()
	default:
		registers, _, _ = parseSettings([]string{"1-256"}, cv.ParseRange)
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
		case prog.Spared(r) != "", absent, e.ReadOnly, slices.Contains(s.Changing, r), slices.Contains(survey.Changing, r):
			p.left = append(p.left, r)
		default:
			p.Registers = append(p.Registers, r)
		}
	}
	return nil
}

func (p *probing) question() string {
	return fmt.Sprintf("Write to %s of this decoder, as far as it has them? Each is put back before the next one.", count(len(p.Registers), "register"))
}

// probeDocument is what --json says of a probe.
type probeDocument struct {
	stationDocument
	Maker     *uint8            `json:"maker"`
	Version   *uint8            `json:"version"`
	Registers []findingDocument `json:"registers"` // that were probed now
	LeftAlone []string          `json:"left_alone"`
	Absent    []string          `json:"absent"`
	Unsure    []string          `json:"unsure"`
	Changing  []string          `json:"changing"` // by themselves
	Changed   []changedDocument `json:"changed"`  // that do not hold what they held
	Known     int               `json:"known"`    // that were in the file of findings already
	Writes    int               `json:"writes"`   // that the decoder's memory took
	costDocument
	Journal  *string `json:"journal"`  // null where nothing was probed
	Findings *string `json:"findings"` // likewise
}

type findingDocument struct {
	Register  cv.Register `json:"register"`
	Held      uint8       `json:"held"`
	Writable  bool        `json:"writable"`
	Mask      uint8       `json:"mask"`       // the bits that change
	LeftAlone uint8       `json:"left_alone"` // the bits that were not tried
	Values    []string    `json:"values"`     // that it takes; null where that could not be made out
	Writes    int         `json:"writes"`
	Note      string      `json:"note,omitempty"`
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
	how := endedProbed
	if result.Changed != nil {
		how = endedNotProven
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
		return errors.Join(err, v.recorder.End(endedPutBack)) // nothing that was written had an effect
	}
	advice := ""
	if len(p.found.Found) > 0 {
		advice = fmt.Sprintf("\nfound so far: %s; the same command with --to %s goes on", p.to, shellWord(p.to))
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

func (v *visit) probeReport(p probing, result prog.ProbeResult) probeDocument {
	d := probeDocument{
		stationDocument: v.station, Maker: result.Decoder.Maker, Version: result.Decoder.Version, Registers: []findingDocument{},
		LeftAlone: listed(p.left), Changed: []changedDocument{}, Known: p.known, costDocument: v.cost(), Journal: v.journalPath(),
	}
	var absent, unsure, changing []cv.Register
	for _, row := range result.Rows {
		switch {
		case row.Before.State == prog.Absent:
			absent = append(absent, row.Register)
		case row.Before.State == prog.Unsure:
			unsure = append(unsure, row.Register)
		case row.Changes:
			changing = append(changing, row.Register)
		default:
			d.Registers = append(d.Registers, findingDocument{row.Register, row.Before.Value, row.Writable, row.Mask, row.LeftAlone,
				byteRanges(row.Values), row.Writes, row.Note})
			d.Writes += row.Writes
		}
	}
	d.Absent, d.Unsure, d.Changing = listed(absent), listed(unsure), listed(changing)
	for _, r := range result.Changed {
		d.Changed = append(d.Changed, changedDocument{r.Register, proven(r.Before), proven(r.After), true})
	}
	if len(p.found.Found) > 0 {
		d.Findings = &p.to
	}
	return d
}

// listed is a list for a document: never null.
func listed(registers []cv.Register) []string { return append([]string{}, cv.Ranges(registers)...) }

func byteRanges(values []cv.ByteRange) (words []string) {
	for _, b := range values {
		words = append(words, b.String())
	}
	return words
}

// probeText is what came of a probe, for people.
func (v *visit) probeText(d probeDocument, result prog.ProbeResult) string {
	var said strings.Builder
	said.WriteString(probeTable(result.Rows))
	if len(d.Changed) > 0 {
		t := newTable(column{"register", true}, column{"was", true}, column{"now", true}, column{"", false})
		for _, r := range result.Changed {
			t.AppendRow([]any{r.Register, shown(r.Before), shown(r.After), "does not hold what it held: writing another register changed it"})
		}
		fmt.Fprintf(&said, "%s\n\nTo put back: fettle undo %s%s\n\n", t.Render(), shellWord(*d.Journal), v.flags)
	}
	writable := 0
	for _, r := range d.Registers {
		if r.Writable {
			writable++
		}
	}
	sentence := fmt.Sprintf("%s probed: %d can be written, %d can't.", count(len(d.Registers), "register"), writable, len(d.Registers)-writable)
	if d.Known > 0 {
		sentence += fmt.Sprintf(" %d were found before.", d.Known)
	}
	if len(d.Changed) == 0 && len(d.Registers) > 0 {
		sentence += " All hold what they held, after a power cycle too."
	}
	said.WriteString(sentence + "\n")
	for _, list := range []struct {
		words     string
		registers []string
	}{
		{"Left alone:", d.LeftAlone}, {"The decoder does not have", d.Absent}, {"Unsure, could not be proven:", d.Unsure},
		{"Left alone, since they change by themselves:", d.Changing},
	} {
		if len(list.registers) > 0 {
			said.WriteString(text.WrapSoft(fmt.Sprintf("%s %s.", list.words, strings.Join(list.registers, ", ")), 100) + "\n")
		}
	}
	fmt.Fprintf(&said, "%s, %s", count(d.Writes, "write"), v.taken())
	if d.Journal != nil {
		said.WriteString(" Journal: " + *d.Journal)
	}
	said.WriteString("\n")
	if d.Findings != nil {
		fmt.Fprintf(&said, "Found: %s. A sheet with it: fettle sheet draft SURVEY --probe %s --to FILE\n", *d.Findings, shellWord(*d.Findings))
	}
	return said.String()
}

// probeTable has a row for registers that follow each other and of which the same was found.
func probeTable(rows []prog.Probed) string {
	rows = slices.DeleteFunc(slices.Clone(rows), func(row prog.Probed) bool { return !row.Done() })
	if len(rows) == 0 {
		return ""
	}
	t := newTable(column{"register", true}, column{"writable", false}, column{"bits", true}, column{"range", true}, column{"", false})
	for len(rows) > 0 {
		n := 1
		for n < len(rows) && sameFound(rows[n-1], rows[n]) {
			n++
		}
		registers := make([]cv.Register, n)
		for i, row := range rows[:n] {
			registers[i] = row.Register
		}
		writable, bits, values := "no", "-", "-"
		if f := rows[0]; f.Writable {
			writable, bits = "yes", fmt.Sprintf("%08b", f.Mask)
			if f.Values != nil {
				values = strings.Join(byteRanges(f.Values), ", ")
			}
		}
		t.AppendRow([]any{cv.Ranges(registers)[0], writable, bits, values, text.WrapSoft(rows[0].Note, wordsWidth)})
		rows = rows[n:]
	}
	return t.Render() + "\n\n"
}

// sameFound says whether b is the register after a, and the same was found of it.
func sameFound(a, b prog.Probed) bool {
	next := a.Register
	next.CV++
	return b.Register == next && a.Writable == b.Writable && a.Mask == b.Mask && slices.Equal(a.Values, b.Values) && a.Note == b.Note
}
