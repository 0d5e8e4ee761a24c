package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/sheet"
)

// newSheet makes the verb sheet and those below it.
func newSheet() *cobra.Command {
	return group(&cobra.Command{
		Use:   "sheet VERB ...",
		Short: "Write down what the registers of a type of decoder mean.",
		Long: `A sheet is a file that says which registers a type of decoder has, what they are called, what can be written to
them and what a reset leaves in them. draft begins one from surveys; names and notes are then filled in by hand.`,
	},
		newSheetProbe(),
		newSheetDraft(),
		newSheetCheck(),
	)
}

// sheetFlag is the flag --sheet.
type sheetFlag struct{ path string }

// addSheet adds --sheet.
func addSheet(cmd *cobra.Command) *sheetFlag {
	f := new(sheetFlag)
	cmd.Flags().StringVar(&f.path, "sheet", "", "the `FILE` that describes this type of decoder; its names stand for registers then")
	return f
}

// read gives the sheet; the zero Sheet, which knows nothing, where the flag was not given.
func (f *sheetFlag) read() (sheet.Sheet, error) {
	if f.path == "" {
		return sheet.Sheet{}, nil
	}
	return sheet.Read(f.path)
}

// use has the visit go by a sheet: what it says that registers hold is asked first. It refuses a decoder of another type.
func (v *visit) use(ctx context.Context, s sheet.Sheet) error {
	maker, version := s.Decoder.Maker, s.Decoder.Version
	if maker == nil {
		return nil // no sheet
	}
	d, err := v.Decoder(ctx)
	switch {
	case err != nil:
		return err
	case d.Maker != *maker:
		return otherThanSheet(cv.Maker, d.Maker, *maker)
	case version != nil && d.Version != *version:
		return otherThanSheet(cv.Version, d.Version, *version)
	}
	v.sheet = s
	v.Hints = func(r cv.Register) prog.Hint {
		values, absent := s.Hint(r)
		return prog.Hint{Values: values, Absent: absent}
	}
	return nil
}

// otherThanSheet refuses a decoder that a sheet is not of, before anything has been done.
func otherThanSheet(c nmra.CV, found, want uint8) error {
	return fmt.Errorf("%w; nothing was written", prog.OtherDecoder{Register: cv.Register{CV: c}, Found: found, Want: want})
}

// contentsDocument is what --json says of a sheet.
type contentsDocument struct {
	Sheet     string `json:"sheet"`
	Title     string `json:"title"`
	Maker     *uint8 `json:"maker"`
	Version   *uint8 `json:"version"` // null: any
	Registers int    `json:"registers"`
	Nameless  int    `json:"without_name"`
	ReadOnly  int    `json:"read_only"`
	Defaults  int    `json:"with_default"`
	Values    int    `json:"with_values"`
	Absent    int    `json:"absent"`
	Pages     int    `json:"pages"`
	Notes     int    `json:"notes"`
}

// contents counts what is in a sheet.
func contents(path string, s sheet.Sheet) contentsDocument {
	d := contentsDocument{
		Sheet: path, Title: s.Title, Maker: s.Decoder.Maker, Version: s.Decoder.Version, Absent: len(s.Absent), Pages: len(s.Pages),
	}
	for _, e := range s.Entries {
		n := len(e.Registers)
		d.Registers += n
		for _, fact := range []struct {
			is    bool
			count *int
		}{
			{e.Name == "", &d.Nameless}, {e.ReadOnly, &d.ReadOnly}, {e.Default != nil, &d.Defaults}, {e.Values != nil, &d.Values},
		} {
			if fact.is {
				*fact.count += n
			}
		}
		if e.Note != "" {
			d.Notes++
		}
	}
	return d
}

// String tells it, a fact a line.
func (d contentsDocument) String() string {
	t := newTable(column{"", true}, column{"", false})
	t.ResetHeaders()
	for _, row := range []struct {
		n     int
		words string
	}{
		{d.Registers, "registers described"},
		{d.Registers - d.Nameless, "with a name"},
		{d.Defaults, "with what a reset leaves"},
		{d.Values, "with the values that can be written"},
		{d.ReadOnly, "read only"},
		{d.Absent, "said to be absent"},
		{d.Pages, "index pages"},
		{d.Notes, "notes"},
	} {
		if row.n > 0 {
			t.AppendRow([]any{row.n, row.words})
		}
	}
	return t.Render() + "\n"
}
