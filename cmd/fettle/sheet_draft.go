package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"fettle/prog/regset"
	"fettle/prog/sheet"
)

// newSheetDraft makes the verb sheet draft.
func newSheetDraft() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "draft [SURVEY...] --to FILE [flags]",
		Short: "Begin a sheet from surveys, and from what a probe found.",
		Long: `SURVEY is a survey of a decoder of the type; several, of several decoders, make a better sheet. --reset names one
that was made right after a factory reset: what it holds are the defaults. --probe names what fettle sheet probe
found: which registers can be written, which of their bits, and to which values.

Registers have the standard's names where it has them. Name the others in the file, and check it with fettle sheet
check. A file that is there already is left alone: it may have your words in it.`,
		Example: "  fettle sheet draft one.toml two.toml --reset new.toml --probe probe.toml --to engine-30.toml",
	}, map[status]string{
		done:   "the sheet is written",
		badUse: "bad use, a bad file, files of different types of decoder, or the file to write is there already",
	})
	asJSON := jsonFlag(cmd)
	var reset, probe, to string
	cmd.Flags().StringVar(&reset, "reset", "", "the `SURVEY` that was made after a factory reset")
	cmd.Flags().StringVar(&probe, "probe", "", "the `FILE` of what a probe found")
	cmd.Flags().StringVar(&to, "to", "", "the new `FILE` that the sheet is written to")
	cmd.DisableFlagsInUseLine = true
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) == 0 && reset == "":
			return misuse(cmd, "no survey: want SURVEY, the name of its file")
		case to == "":
			return misuse(cmd, "no --to: want the name of a new file for the sheet")
		}
		if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
			return misuse(cmd, "--to %s: it is there already, want a new name, or move it away", to)
		}
		s, err := draftFrom(args, reset, probe)
		if err != nil {
			return err
		}
		text := s.Append(nil)
		if s, err = sheet.Parse(to, text); err != nil {
			return fmt.Errorf("the draft has mistakes, which is a fault of fettle's own: %w", err)
		}
		if err := regset.WriteFile(to, text); err != nil {
			return err
		}
		d := contents(to, s)
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), d)
		}
		next := ""
		if d.Nameless > 0 {
			next = fmt.Sprintf("\n%s: name them in the file, then fettle sheet check %s.\n", nameless(d.Nameless), shellWord(to))
		}
		return printText(cmd.OutOrStdout(), "%s: a sheet for %v.\n\n%v%s", to, s.Decoder, d, next)
	}
	return cmd
}

func nameless(n int) string {
	if n == 1 {
		return "1 register has no name yet"
	}
	return fmt.Sprintf("%d registers have no name yet", n)
}

// draftFrom reads the files that a draft is made from, and makes it.
func draftFrom(paths []string, reset, probe string) (sheet.Sheet, error) {
	var surveys []sheet.Evidence
	if reset != "" {
		survey, err := regset.ReadSurvey(reset)
		if err != nil {
			return sheet.Sheet{}, err
		}
		surveys = append(surveys, sheet.Evidence{Name: reset, Survey: survey, Reset: true})
	}
	for _, path := range paths {
		if path == reset {
			continue // named twice is read once, as the one after a reset
		}
		survey, err := regset.ReadSurvey(path)
		if err != nil {
			return sheet.Sheet{}, err
		}
		surveys = append(surveys, sheet.Evidence{Name: path, Survey: survey})
	}
	found := sheet.Probe{Name: probe}
	if probe != "" {
		var err error
		if found.Findings, err = sheet.ReadFindings(probe); err != nil {
			return sheet.Sheet{}, err
		}
	}
	return sheet.Draft(surveys, found)
}
