package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/regset"
)

// newSurvey makes the verb survey.
func newSurvey() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "survey [REG...] [flags]",
		Short: "Read every register that the decoder has, to a survey file.",
		Long: `Without REG it reads registers 1 to 1024 and all index pages: those of --pages, else those of the sheet, else those
that it finds. Of a decoder without direct mode, where a value may take a minute, it reads registers 1-9, 17-19 and 29
alone; REG reads others. What was found is read a second time at the end: what differs by then changes by itself.

Pages are looked for from CV 31 = 16 and CV 32 = 0 up, until three in a row bring nothing new, and in at most 4000 questions.
Nothing is written, except that registers 31 and 32 choose a page and are put back. What they held is in the file
before, so that --resume puts them back after a crash, too.

The file has at any time what was read by then. With --resume a survey that was stopped is gone on with, if it is of the
decoder on the track: all that it says is asked again first. So are registers that could not be proven.`,
		Example:               "  fettle survey --to tram-3-bought.survey.toml\n  fettle survey 1-256 257-512@16.0 --station bench:engine-30",
		DisableFlagsInUseLine: true,
	},
		"every register was read and proven, or proven to be absent",
		"a register could not be proven, or the survey or the sheet is of another decoder",
		"stopped half-way; --resume goes on with the file named")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	var to, resume string
	var pageNames []string
	cmd.Flags().StringVar(&to, "to", "", "the `FILE` to write, which must be new; else it is named after the decoder and the time")
	cmd.Flags().StringVar(&resume, "resume", "", "go on with the survey in `FILE`, which was stopped")
	cmd.Flags().StringSliceVar(&pageNames, "pages", nil, "the index `PAGES` to read, as 16.0,16.3")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if resume != "" && (len(args) > 0 || to != "" || pageNames != nil) {
			return misuse(cmd, "--resume: the file says what there is to read; want no REG, --to or --pages")
		}
		sheet, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, err := parseRegisters(args, sheet.ParseRange)
		switch {
		case err != nil:
			return misuse(cmd, "%w", err)
		case len(registers) > 0 && pageNames != nil:
			return misuse(cmd, "--pages is for all registers: want REG as 257-512@%s", pageNames[0])
		}
		pages, err := parsePages(pageNames)
		if err != nil {
			return misuse(cmd, "--pages: %w", err)
		}
		if pages == nil && len(sheet.Pages) > 0 {
			pages = sheet.Pages
		}
		if _, err := os.Lstat(to); to != "" && err == nil {
			return misuse(cmd, "--to: %s is there already: want a new file, or --resume to go on with that one", to)
		}
		var begun regset.Survey
		if resume != "" {
			if begun, err = regset.ReadSurvey(resume); err != nil {
				return err
			}
			if !begun.Unfinished() && len(begun.Unsure) == 0 {
				return misuse(cmd, "%s: found a survey that was done, want one that was stopped", resume)
			}
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, sheet); err != nil {
				return err
			}
			if resume != "" {
				return v.resumeSurvey(ctx, begun, resume)
			}
			return v.beginSurvey(ctx, registers, pages, to)
		})
	}
	return cmd
}

func parsePages(names []string) (pages []cv.Page, err error) {
	for _, name := range names {
		p, err := cv.ParsePage(name)
		if err != nil {
			return nil, err
		}
		if slices.Contains(pages, p) {
			return nil, fmt.Errorf("page %v comes twice", p)
		}
		pages = append(pages, p)
	}
	return pages, nil
}

// beginSurvey takes a new survey; registers nil are all, pages nil are to be found.
func (v *visit) beginSurvey(ctx context.Context, registers []cv.Register, pages []cv.Page, path string) error {
	survey, err := prog.BeginSurvey(ctx, v.Session, registers, pages)
	if err != nil {
		return err
	}
	survey.When, survey.Station = time.Now().Truncate(time.Second), v.station.Station
	if path == "" {
		path = surveyPath(v.folder, survey)
	}
	return v.takeSurvey(ctx, survey, path, registers == nil && v.Mode() != nmra.Direct)
}

func (v *visit) resumeSurvey(ctx context.Context, begun regset.Survey, path string) error {
	survey, err := prog.ResumeSurvey(ctx, v.Session, begun)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return v.takeSurvey(ctx, survey, path, false)
}

// surveyPath names a new file after what stands on the track, and the time.
func surveyPath(folder string, survey regset.Survey) string {
	name := survey.Station
	if _, title, ok := strings.Cut(name, ": "); ok {
		name = title
	}
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	const most = 60 // so that any system takes the name
	stem := strings.ToValidUTF8(fmt.Sprintf("%.*s", most, strings.Join(words, "-")), "") + "-" + survey.When.Format("20060102-150405")
	path := filepath.Join(folder, stem+".survey.toml")
	for n := 2; ; n++ {
		if _, err := os.Lstat(path); err != nil {
			return path
		}
		path = filepath.Join(folder, fmt.Sprintf("%s-%d.survey.toml", stem, n))
	}
}

// takeSurvey reads what is left of a survey and keeps it in a file. few says that it is not of all registers though nobody said of which.
func (v *visit) takeSurvey(ctx context.Context, survey regset.Survey, path string, few bool) error {
	kept := false
	done, search, err := prog.TakeSurvey(ctx, v.Session, survey, func(s regset.Survey) error {
		err := regset.WriteFile(path, s.Append(nil))
		kept = kept || err == nil
		return err
	})
	if err != nil {
		if !kept {
			return err
		}
		return v.stoppedSurvey(err, done, path)
	}
	d := v.describeSurvey(done, search, path)
	if err := v.answer(d.text(v, few), d); err != nil {
		return err
	}
	return verdict(len(done.Unsure) == 0)
}

// stoppedSurvey is the failure of a survey that was stopped: why, and how to go on.
func (v *visit) stoppedSurvey(err error, survey regset.Survey, path string) error {
	why := v.said(err)
	if by, ok := errors.AsType[interrupted](why); ok {
		why = errors.New(by.name())
	}
	return failure{statusHalfway(err), fmt.Errorf("stopped half-way, with %s left to read: %w\nsurvey:      %s\nto go on:    fettle survey --resume %s%s",
		count(len(survey.Left), "register"), why, path, shellWord(path), v.flags)}
}

// surveyDocument is what --json says of a survey.
type surveyDocument struct {
	stationDocument
	Decoder    decoderDocument    `json:"decoder"`
	File       string             `json:"file"`
	Pages      []string           `json:"pages"`
	PagesAlike []string           `json:"pages_alike"` // they answer like a page before them, and were not read
	PagesEnded *string            `json:"pages_ended"` // where the search for pages came to the end of its questions; null where it did not
	Registers  []surveyedDocument `json:"registers"`   // all but those that the decoder does not have
	Absent     []string           `json:"absent"`      // ranges
	There      int                `json:"there"`
	Lacking    int                `json:"lacking"`
	Unsure     int                `json:"unsure"`
	Changing   int                `json:"changing"`
	Pace       string             `json:"pace"`
	Slower     bool               `json:"slower"` // than the standard allows
	costDocument
}

type decoderDocument struct {
	Maker   *uint8 `json:"maker"`
	Version *uint8 `json:"version"`
}

type surveyedDocument struct {
	Register cv.Register `json:"register"`
	State    string      `json:"state"` // proven or unsure
	Value    *uint8      `json:"value"` // null where it is not proven
	Changing bool        `json:"changing"`
}

func (v *visit) describeSurvey(s regset.Survey, search prog.PageSearch, path string) surveyDocument {
	d := surveyDocument{
		stationDocument: v.station, costDocument: v.cost(), Decoder: decoderDocument{s.Decoder.Maker, s.Decoder.Version}, File: path,
		Pages: pageNames(s.Pages), PagesAlike: pageNames(search.Alike), Registers: []surveyedDocument{},
		Absent: append([]string{}, cv.Ranges(s.Absent)...),
		There:  len(s.Registers), Lacking: len(s.Absent), Unsure: len(s.Unsure), Changing: len(s.Changing),
	}
	if search.Ended != nil {
		ended := search.Ended.String()
		d.PagesEnded = &ended
	}
	d.Pace, d.Slower = v.Pace()
	for _, r := range s.Registers.Registers() {
		value := s.Registers[r]
		d.Registers = append(d.Registers, surveyedDocument{r, prog.Proven.String(), &value, slices.Contains(s.Changing, r)})
	}
	for _, r := range s.Unsure {
		d.Registers = append(d.Registers, surveyedDocument{Register: r, State: prog.Unsure.String()})
	}
	slices.SortStableFunc(d.Registers, func(a, b surveyedDocument) int { return a.Register.Compare(b.Register) })
	return d
}

func pageNames(pages []cv.Page) []string {
	names := []string{}
	for _, p := range pages {
		names = append(names, p.String())
	}
	return names
}

// text is the same for people, one fact a line.
func (d surveyDocument) text(v *visit, few bool) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s read, %d the decoder does not have.\n", count(d.There, "register"), d.Lacking)
	list := func(words string, which func(surveyedDocument) bool) {
		var rs []cv.Register
		for _, row := range d.Registers {
			if which(row) {
				rs = append(rs, row.Register)
			}
		}
		if rs != nil {
			fmt.Fprintf(&b, words+"\n", strings.Join(cv.Ranges(rs), ", "))
		}
	}
	list("Changing by themselves: %s.", func(row surveyedDocument) bool { return row.Changing })
	list("Unsure, could not be proven: %s. Clean the wheels and the rails, and go on with --resume.",
		func(row surveyedDocument) bool { return row.Value == nil })
	if len(d.Pages) > 0 {
		fmt.Fprintf(&b, "Index pages read: %s.\n", strings.Join(d.Pages, ", "))
	}
	if len(d.PagesAlike) > 0 {
		fmt.Fprintf(&b, "Not read, since they answer like a page before them: %s. --pages reads them too.\n", strings.Join(d.PagesAlike, ", "))
	}
	if d.PagesEnded != nil {
		fmt.Fprintf(&b, "Pages from %s on were not looked for: that had taken enough questions. --pages reads those that you know of.\n", *d.PagesEnded)
	}
	if few {
		fmt.Fprintln(&b, "The decoder has no direct mode, where a value takes long to read: fettle survey REG reads other registers.")
	}
	if d.Slower {
		fmt.Fprintf(&b, "It was %s.\n", slowerWords(d.Pace))
	}
	fmt.Fprintf(&b, "%s Survey: %s\n", v.taken(), d.File)
	return b.String()
}

// slowerWords says that a decoder has to be asked slower than the standard allows.
func slowerWords(pace string) string {
	return "asked slower than the standard allows, with " + pace + ": the decoder does not keep up"
}
