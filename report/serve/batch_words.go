package serve

import (
	"fmt"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog"
)

// showPlan shows a plan.
func (s *Server) showPlan(b *batch, p prog.Plan, phase string) {
	shown := &Batch{Title: p.Title, Phase: phase, Rows: []Row{}}
	if b.journal != "" {
		shown.Journal = base(b.journal)
	}
	toWrite, right, out := 0, 0, 0
	for _, step := range p.Steps {
		row := Row{Register: step.Register.String(), Before: proven(step.Before), Wanted: step.Wanted, State: "to_write", Words: stepWords(step)}
		switch {
		case step.Before.State == prog.Absent:
			row.State = string(prog.NoRegister)
			out++
		case step.Before.State == prog.Unsure:
			row.State = string(prog.UnsureOfValue)
			out++
		case step.Changes():
			toWrite++
		default:
			row.State = string(prog.Unchanged)
			right++
		}
		shown.Rows = append(shown.Rows, row)
	}
	shown.Summary = fmt.Sprintf("%d to write, %d already right", toWrite, right)
	if out > 0 {
		shown.Summary += fmt.Sprintf(", %d left out", out)
	}
	shown.Summary += "."
	if phase == batchPlanned {
		shown.Summary += " Nothing is written yet."
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.batch, s.state.Batch = b, shown
	s.said()
}

func stepWords(step prog.Step) string {
	var words string
	switch {
	case step.Before.State == prog.Absent:
		return "left out: the decoder has no such register"
	case step.Before.State == prog.Unsure:
		return "left out: what it holds could not be proven"
	case step.Kept:
		words = "not in the set, kept as it is"
	case step.Changes():
		words = "to write" + bitWords(step.Register, step.Before.Value, step.Wanted)
	default:
		words = "already right"
	}
	if step.Why != "" {
		words += "; " + step.Why
	}
	return words
}

// showBatch shows what became of a batch.
func (s *Server) showBatch(b *batch, got prog.Batch) {
	shown := &Batch{Title: got.Title, Phase: batchProven, Rows: []Row{}}
	if !got.Good() {
		shown.Phase = batchNotProven
	}
	if b.journal != "" {
		shown.Journal = base(b.journal)
	}
	for _, r := range got.Rows {
		shown.Rows = append(shown.Rows, Row{Register: r.Register.String(), Before: proven(r.Before), Wanted: r.Wanted, After: proven(r.After),
			State: string(r.State), Words: rowWords(r)})
	}
	var counts []string
	for _, state := range []prog.State{prog.Written, prog.Unchanged, prog.Clamped, prog.ReadOnly, prog.NoRegister, prog.Refused, prog.UnsureOfValue} {
		if n := got.Count(state); n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", n, stateWords[state]))
		}
	}
	shown.Summary = strings.Join(counts, ", ") + ". "
	if b.journal == "" {
		shown.Summary += "Nothing was written."
	} else {
		shown.Summary += "Read back twice, the second time after a power cycle."
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.batch, s.state.Batch = &batch{name: b.name, journal: b.journal}, shown
	s.said()
}

// stateWords say what became of a register.
var stateWords = map[prog.State]string{
	prog.Unchanged:     "already right",
	prog.Written:       "written",
	prog.Clamped:       "clamped",
	prog.ReadOnly:      "read only",
	prog.NoRegister:    "absent",
	prog.Refused:       "refused",
	prog.UnsureOfValue: "unsure",
}

func rowWords(r prog.Row) string {
	words := stateWords[r.State]
	if r.State == prog.Written {
		words += bitWords(r.Register, r.Before.Value, r.After.Value)
	}
	if r.State == prog.NoRegister && r.Note == "" {
		words += ": the decoder has no such register"
	}
	if r.Note != "" {
		words += ": " + r.Note
	}
	return words
}

// bitWords say which bits of a register change, where its bits have meanings of their own: ": bit 3 on, bit 5 off".
func bitWords(r cv.Register, before, after uint8) string {
	var changes []string
	for _, b := range cv.Explain(r).Bits {
		if (before^after)>>b.Number&1 == 1 {
			state := "off"
			if after>>b.Number&1 == 1 {
				state = "on"
			}
			changes = append(changes, fmt.Sprintf("bit %d %s", b.Number, state))
		}
	}
	if changes == nil {
		return ""
	}
	return ": " + strings.Join(changes, ", ")
}
