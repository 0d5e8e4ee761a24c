package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/regset"
)

// newCheck makes the verb check.
func newCheck() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "check FILE [flags]",
		Short: "Say whether the decoder still holds a register set, or a survey.",
		Long: `What differs is listed. Nothing is written, except that registers 31 and 32 choose an index page and are put back.
Of a survey, registers that change by themselves and those that it is not sure of are left out.`,
		Example:               "  fettle check tram-3.toml",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("register set or survey", "FILE"),
	},
		"the decoder holds all of it",
		"something differs or could not be proven, or it is for another decoder",
		"stopped with Ctrl-C")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		file, err := regset.ReadAnyFor(args[0], s)
		if err != nil {
			return err
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			return v.check(ctx, file)
		})
	}
	return cmd
}

// checkReport is what --json says of a check.
type checkReport struct {
	stationDocument
	Registers []checkedDocument `json:"registers"`
	Right     int               `json:"right"`
	Wrong     int               `json:"wrong"`
	costDocument
}

type checkedDocument struct {
	Register cv.Register `json:"register"`
	Mask     uint8       `json:"mask"`   // the bits that count
	Wanted   *uint8      `json:"wanted"` // null where the decoder should not have the register
	Found    *uint8      `json:"found"`  // null where it is not proven
	State    prog.Match  `json:"state"`
}

// check compares the decoder with a file.
func (v *visit) check(ctx context.Context, file regset.File) error {
	var rows []prog.Checked
	var err error
	switch file := file.(type) {
	case regset.Set:
		rows, err = prog.Check(ctx, v.Session, file)
	case regset.Survey:
		rows, err = prog.CheckSurvey(ctx, v.Session, file)
	default:
		err = fmt.Errorf("checking a %T: want a register set or a survey", file)
	}
	if err != nil {
		return err
	}
	if err := v.Restore(ctx); err != nil {
		return err
	}
	r := checkReport{stationDocument: v.station, Registers: []checkedDocument{}, costDocument: v.cost()}
	t := newTable(column{"register", true}, column{"wanted", true}, column{"holds", true}, column{"", false})
	for _, row := range rows {
		d := checkedDocument{row.Register, row.Mask, &row.Wanted, row.Found.Known(), row.Match}
		if row.Mask == 0 {
			d.Wanted = nil
		}
		r.Registers = append(r.Registers, d)
		if row.Match == prog.Right {
			r.Right++
			continue
		}
		r.Wrong++
		t.AppendRow([]any{row.Register, wantedWord(row), shown(row.Found), matchWords(row)})
	}
	text := ""
	if r.Wrong > 0 {
		text = t.Render() + "\n\n"
	}
	text += fmt.Sprintf("%s: %d right, %d not. %s\n%s\n", count(len(rows), "register"), r.Right, r.Wrong, sentence(v.untouched()), v.taken())
	if err := v.answer(text, r); err != nil {
		return err
	}
	return verdict(r.Wrong == 0)
}

// wantedWord is what a register should hold: "-" where it should not be there, "bits" where only some count.
func wantedWord(c prog.Checked) string {
	switch c.Mask {
	case 0:
		return "-"
	case 255:
		return fmt.Sprint(c.Wanted)
	}
	return "bits"
}

func matchWords(c prog.Checked) string {
	switch c.Match {
	case prog.Uncertain:
		return "unsure: could not be proven"
	case prog.NotThere:
		return "absent: the decoder has no such register"
	case prog.Unexpected:
		return "there, and should not be"
	}
	if c.Mask == 255 {
		return "differs" + cv.ChangedBits(c.Register, c.Wanted, c.Found.Value)
	}
	var bits []string
	for n := range 8 {
		if c.Mask&(c.Found.Value^c.Wanted)>>n&1 == 1 {
			bits = append(bits, fmt.Sprintf("bit %d is %d, wanted %d", n, c.Found.Value>>n&1, c.Wanted>>n&1))
		}
	}
	return "differs: " + strings.Join(bits, ", ")
}
