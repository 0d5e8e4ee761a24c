package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
	"golang.org/x/term"
)

// printJSON writes v as the one document of a verb's --json.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("writing the answer as JSON: %w", err)
	}
	return nil
}

// printText writes a text for people, whose lines are broken where they are too long for a screen.
func printText(w io.Writer, format string, args ...any) error {
	_, err := io.WriteString(w, wrapped(fmt.Sprintf(format, args...), screenWidth, "  "))
	return err
}

// column is the head of a table's column. Numbers stand to the right, words to the left.
type column struct {
	head   string
	number bool
}

// newTable is a table without lines, two spaces between columns.
func newTable(columns ...column) table.Writer {
	t := table.NewWriter()
	t.SetStyle(table.Style{
		Box:    table.BoxStyle{PaddingRight: "  "},
		Format: table.FormatOptions{Header: text.FormatDefault, Row: text.FormatDefault},
	})
	t.SuppressTrailingSpaces()
	heads := make(table.Row, len(columns))
	configs := make([]table.ColumnConfig, len(columns))
	for i, c := range columns {
		heads[i] = c.head
		configs[i] = table.ColumnConfig{Number: i + 1, Align: text.AlignLeft, AlignHeader: text.AlignLeft}
		if c.number {
			configs[i].Align, configs[i].AlignHeader = text.AlignRight, text.AlignRight
		}
	}
	t.AppendHeader(heads)
	t.SetColumnConfigs(configs)
	return t
}

// terminal says whether a person sees w as it is written.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// coloured says whether w takes colours: a terminal, where NO_COLOR is not set.
func coloured(w io.Writer) bool { return terminal(w) && os.Getenv("NO_COLOR") == "" }
