package main

import (
	"fmt"
	"io"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// newCompare makes the verb compare.
func newCompare() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "compare A B [flags]",
		Short: "Hold two register sets or surveys against each other.",
		Long: `A and B are files. What they say of each register is compared: the decoder that a file is for counts as what
registers 8 and 7 hold, an address as the registers that make it. Of a survey beside a register set, only what
the set names is compared. Registers that change by themselves make no difference; those that could not be
proven do.`,
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 2 {
				return misuse(cmd, "found %d of two files: want two register sets or surveys", len(args))
			}
			return nil
		},
	}, map[status]string{done: "they say the same", saidNo: "they differ, or were not proven to be the same", badUse: "a file is missing or wrong"})
	asJSON, sheetFile := jsonFlag(cmd), addSheet(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		var files [2]regset.File
		for i, path := range args {
			if files[i], err = regset.ReadAnyFor(path, s); err != nil {
				return err
			}
		}
		rows := regset.Compare(files[0], files[1])
		show := func(w io.Writer) error { return showComparison(w, args, files, rows, s) }
		if *asJSON {
			show = func(w io.Writer) error { return printJSON(w, describeComparison(args, files, rows, s)) }
		}
		if err := show(cmd.OutOrStdout()); err != nil {
			return err
		}
		if !rows.Same() {
			return failure{status: saidNo}
		}
		return nil
	}
	return cmd
}

func showComparison(w io.Writer, paths []string, files [2]regset.File, rows regset.Comparison, s sheet.Sheet) error {
	for i, name := range []string{"A", "B"} {
		if err := printText(w, "%s  %s: %s\n", name, paths[i], titleOf(files[i])); err != nil {
			return err
		}
	}
	t := newTable(column{"register", true}, column{"A", true}, column{"B", true}, column{"", false})
	for _, row := range rows {
		if row.Agreement != regset.Same {
			t.AppendRow(table.Row{row.Register, row.A, row.B, wrapped(row.Words(s.Named(row.Register)), wordsWidth, "")})
		}
	}
	if t.Length() > 0 {
		if _, err := fmt.Fprintf(w, "\n%s\n", t.Render()); err != nil {
			return err
		}
	}
	summary := fmt.Sprintf("%s: %d the same", count(len(rows), "register"), rows.Count(regset.Same))
	for _, c := range []struct {
		agreement regset.Agreement
		words     string
	}{
		{regset.Differs, "different"}, {regset.OnlyInA, "only in A"}, {regset.OnlyInB, "only in B"}, {regset.NotSure, "not proven"},
		{regset.Changing, "changing by themselves"},
	} {
		if n := rows.Count(c.agreement); n > 0 {
			summary += fmt.Sprintf(", %d %s", n, c.words)
		}
	}
	return printText(w, "\n%s.\n", summary)
}

func titleOf(f regset.File) string {
	switch f := f.(type) {
	case regset.Survey:
		return "survey of " + f.When.UTC().Format("2006-01-02 15:04 MST")
	case regset.Set:
		if f.Title != "" {
			return f.Title
		}
	}
	return "register set"
}

// comparisonDocument is what --json says.
type comparisonDocument struct {
	A         comparedFile       `json:"a"`
	B         comparedFile       `json:"b"`
	Registers []comparedRegister `json:"registers"` // all but those that are the same
	Same      int                `json:"same"`
	Differs   int                `json:"differs"`
	OnlyInA   int                `json:"only_in_a"`
	OnlyInB   int                `json:"only_in_b"`
	Unsure    int                `json:"unsure"`
	Changing  int                `json:"changing"`
}

type comparedFile struct {
	File  string     `json:"file"`
	Kind  string     `json:"kind"` // set or survey
	Title string     `json:"title,omitempty"`
	When  *time.Time `json:"when,omitempty"`
}

type comparedRegister struct {
	Register cv.Register      `json:"register"`
	State    regset.Agreement `json:"state"`
	A        *saidDocument    `json:"a"` // null where the file says nothing
	B        *saidDocument    `json:"b"`
	Words    string           `json:"words"`
}

type saidDocument struct {
	Value  *uint8 `json:"value"` // null where there is none
	Mask   uint8  `json:"mask"`  // the bits that count
	Absent bool   `json:"absent"`
	Unsure bool   `json:"unsure"`
}

func describeComparison(paths []string, files [2]regset.File, rows regset.Comparison, s sheet.Sheet) comparisonDocument {
	d := comparisonDocument{
		A: describeFile(paths[0], files[0]), B: describeFile(paths[1], files[1]), Registers: []comparedRegister{},
		Same: rows.Count(regset.Same), Differs: rows.Count(regset.Differs), OnlyInA: rows.Count(regset.OnlyInA),
		OnlyInB: rows.Count(regset.OnlyInB), Unsure: rows.Count(regset.NotSure), Changing: rows.Count(regset.Changing),
	}
	for _, row := range rows {
		if row.Agreement != regset.Same {
			d.Registers = append(d.Registers, comparedRegister{row.Register, row.Agreement, describeSaid(row.A), describeSaid(row.B), row.Words(s.Named(row.Register))})
		}
	}
	return d
}

func describeFile(path string, f regset.File) comparedFile {
	switch f := f.(type) {
	case regset.Survey:
		return comparedFile{File: path, Kind: "survey", When: &f.When}
	case regset.Set:
		return comparedFile{File: path, Kind: "set", Title: f.Title}
	}
	return comparedFile{File: path}
}

func describeSaid(s regset.Said) *saidDocument {
	if s == (regset.Said{}) {
		return nil
	}
	d := &saidDocument{Mask: s.Mask, Absent: s.Absent, Unsure: s.Unsure}
	if s.Mask != 0 {
		d.Value = &s.Value
	}
	return d
}
