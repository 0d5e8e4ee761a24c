package main

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog"
)

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
		d.Changed = append(d.Changed, changedDocument{r.Register, r.Before.Known(), r.After.Known(), true})
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
			t.AppendRow([]any{r.Register, shown(r.Before), shown(r.After), "writing another register changed it"})
		}
		fmt.Fprintf(&said, "%s\n\nTo put back: fettle undo %s%s\n\n", t.Render(), shellWord(*d.Journal), v.flags)
	}
	writable := 0
	for _, r := range d.Registers {
		if r.Writable {
			writable++
		}
	}
	sentence := fmt.Sprintf("%s probed: %d can be written, %d can't.",
		count(len(d.Registers), "register"), writable, len(d.Registers)-writable)
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
			said.WriteString(fmt.Sprintf("%s %s.\n", list.words, strings.Join(list.registers, ", ")))
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
		t.AppendRow([]any{cv.Ranges(registers)[0], writable, bits, values, wrapped(rows[0].Note, wordsWidth, "")})
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
