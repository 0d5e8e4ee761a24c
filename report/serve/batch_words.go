package serve

import (
	"fmt"
	"path/filepath"

	"fettle/prog"
)

// showPlan shows a plan.
func (s *Server) showPlan(b *batch, p prog.Plan, phase string) {
	shown := &Batch{Title: p.Title, Phase: phase, Rows: []Row{}}
	if b.journal != "" {
		shown.Journal = filepath.Base(b.journal)
	}
	toWrite, right, out := 0, 0, 0
	for _, step := range p.Steps {
		row := Row{Register: step.Register.String(), Before: step.Before.Known(), Wanted: step.Wanted, State: "to_write", Words: step.Words()}
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

// showBatch shows what became of a batch.
func (s *Server) showBatch(b *batch, got prog.Batch) {
	shown := &Batch{Title: got.Title, Phase: batchProven, Rows: []Row{}}
	if !got.Good() {
		shown.Phase = batchNotProven
	}
	if b.journal != "" {
		shown.Journal = filepath.Base(b.journal)
	}
	for _, r := range got.Rows {
		shown.Rows = append(shown.Rows, Row{Register: r.Register.String(), Before: r.Before.Known(), Wanted: r.Wanted, After: r.After.Known(),
			State: string(r.State), Words: r.Words()})
	}
	shown.Summary = got.Counts() + ". "
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
