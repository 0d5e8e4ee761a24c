package main

import (
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jedib0t/go-pretty/v6/table"
)

func TestATableHasNoLinesAndItsNumbersStandToTheRight(t *testing.T) {
	tab := newTable(column{"register", true}, column{"was", true}, column{"", false}, column{"note", false})
	tab.AppendRow(table.Row{"3", 6, "written", ""})
	tab.AppendRow(table.Row{"260@16.3", 255, "kept", "0 to 180"})
	want := `register  was           note
       3    6  written
260@16.3  255  kept     0 to 180`
	if diff := cmp.Diff(want, tab.Render()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestWhatIsNoTerminalTakesNoColours(t *testing.T) {
	f, err := os.Create(t.TempDir() + "/f")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if coloured(f) || terminal(f) {
		t.Error("a file counts as a terminal")
	}
}
