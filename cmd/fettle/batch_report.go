package main

import (
	"fmt"
	"slices"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
)

// planDocument is what --json says of a plan.
type planDocument struct {
	stationDocument
	Title    string          `json:"title"`
	Decoder  journal.Decoder `json:"decoder"`
	Steps    []stepDocument  `json:"steps"`
	ToWrite  int             `json:"to_write"`
	Holds    int             `json:"unchanged"`
	Withheld int             `json:"withheld"` // that the decoder does not have, or that could not be proven
	costDocument
}

type stepDocument struct {
	Register cv.Register `json:"register"`
	Before   *uint8      `json:"before"` // null where it is not proven
	Wanted   uint8       `json:"wanted"`
	Writes   bool        `json:"writes"`
	Kept     bool        `json:"kept"` // not in the set; put back where writing another changes it
	Why      string      `json:"why,omitempty"`
}

func (v *visit) plan(p prog.Plan) planDocument {
	d := planDocument{stationDocument: v.station, Title: p.Title, Decoder: p.Decoder, Steps: []stepDocument{}, costDocument: v.cost()}
	for _, s := range p.Steps {
		d.Steps = append(d.Steps, stepDocument{s.Register, s.Before.Known(), s.Wanted, s.Changes(), s.Kept, s.Why})
		switch {
		case s.Changes():
			d.ToWrite++
		case s.Kept:
		case s.Before.State == prog.Proven:
			d.Holds++
		default:
			d.Withheld++
		}
	}
	return d
}

// wordsWidth leaves room for the other columns on a screen of 100.
const wordsWidth = 70

// planTable shows steps in their order, with reasons.
func planTable(steps []prog.Step) string {
	t := newTable(column{"register", true}, column{"holds", true}, column{"wanted", true}, column{"", false})
	said := ""
	for _, s := range steps {
		switch why := s.Why; {
		case !s.Changes() && !s.Kept:
		case why == said:
			s.Why = "" // the row above has it
		default:
			said = why
		}
		t.AppendRow([]any{s.Register, shown(s.Before), s.Wanted, wrapped(s.Words(), wordsWidth, "")})
	}
	return t.Render() + "\n"
}

// shown is a reading in a table.
func shown(r prog.Reading) string {
	switch r.State {
	case prog.Proven:
		return fmt.Sprint(r.Value)
	case prog.Absent:
		return "-"
	}
	return "?"
}

// batchDocument is what --json says of a batch.
type batchDocument struct {
	stationDocument
	Title     string          `json:"title"`
	Decoder   journal.Decoder `json:"decoder"`
	Registers []rowDocument   `json:"registers"`
	Written   int             `json:"written"`
	Unchanged int             `json:"unchanged"`
	Failed    int             `json:"failed"`
	costDocument
	Journal *string `json:"journal"` // null where nothing was written
}

type rowDocument struct {
	Register cv.Register `json:"register"`
	Before   *uint8      `json:"before"` // null where it is not proven
	Wanted   uint8       `json:"wanted"`
	After    *uint8      `json:"after"` // likewise
	State    prog.State  `json:"state"`
	Note     string      `json:"note,omitempty"`
}

// report is what came of a batch, for programs.
func (v *visit) report(b prog.Batch) batchDocument {
	d := batchDocument{
		stationDocument: v.station, Title: b.Title, Decoder: b.Decoder, Registers: []rowDocument{},
		Written: b.Count(prog.Written), Unchanged: b.Count(prog.Unchanged), costDocument: v.cost(), Journal: v.journalPath(),
	}
	d.Failed = len(b.Rows) - d.Written - d.Unchanged
	for _, r := range b.Rows {
		d.Registers = append(d.Registers, rowDocument{r.Register, r.Before.Known(), r.Wanted, r.After.Known(), r.State, r.Note})
	}
	return d
}

func (v *visit) journalPath() *string {
	if v.recorder.Journal == nil || v.recorder.Path() == "" {
		return nil
	}
	path := v.recorder.Path()
	return &path
}

// batchText is what came of a batch, for people. Rows that one of without holds for are counted only.
func (v *visit) batchText(b prog.Batch, without ...func(prog.Row) bool) string {
	rows := slices.Clone(b.Rows)
	for _, drop := range without {
		rows = slices.DeleteFunc(rows, drop)
	}
	return batchTable(rows) + v.batchSummary(b)
}

// batchTable shows what became of registers.
func batchTable(rows []prog.Row) string {
	if len(rows) == 0 {
		return ""
	}
	t := newTable(column{"register", true}, column{"was", true}, column{"wanted", true}, column{"now", true}, column{"", false})
	for n, r := range rows {
		words := r.Words()
		if n > 0 && r.Note != "" && r.Note == rows[n-1].Note && r.State == rows[n-1].State {
			words = r.State.Words() + ": likewise"
		}
		t.AppendRow([]any{r.Register, shown(r.Before), r.Wanted, shown(r.After), wrapped(words, wordsWidth, "")})
	}
	return t.Render() + "\n\n"
}

// batchSummary counts, and says how it was proven and what it took.
func (v *visit) batchSummary(b prog.Batch) string {
	text := count(len(b.Rows), "register") + ": " + b.Counts() + ". "
	wrote := func(r prog.Row) bool { return r.State != prog.Unchanged && r.Before.State == prog.Proven }
	if slices.ContainsFunc(b.Rows, wrote) {
		text += "Read back twice, the second time after a power cycle.\n"
	} else {
		text += sentence(v.untouched()) + "\n"
	}
	text += v.taken()
	if path := v.journalPath(); path != nil {
		text += " Journal: " + *path
	}
	return text + "\n"
}

// outcome gives what came of a batch, and fails where a register does not hold what was wanted. without is as in batchText.
func (v *visit) outcome(b prog.Batch, without ...func(prog.Row) bool) error {
	if err := v.answer(v.batchText(b, without...), v.report(b)); err != nil {
		return err
	}
	return verdict(b.Good())
}

// verdict is the failure of a verb that has said all, where the decoder says no.
func verdict(good bool) error {
	if good {
		return nil
	}
	return failure{status: saidNo}
}
