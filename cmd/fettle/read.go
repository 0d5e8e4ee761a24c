package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog"
)

// newRead makes the verb read.
func newRead() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "read REG... [flags]",
		Short: "Read registers, and prove each value.",
		Long: `REG is a register, as 29, a range, as 67-94, or one on an index page, as 260@16.3. A value counts as read when the
decoder has acknowledged that very byte, often enough for the noise of the track. Nothing is written, except that
registers 31 and 32 choose an index page and are put back.`,
		Example:               "  fettle read 1 17-19 29\n  fettle read 257-260@16.0 --station bench:engine-30",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "no register: want REG, as 29 or 67-94")
			}
			return nil
		},
	},
		"read and proven",
		"a register could not be proven, or the decoder has none of them",
		"stopped with Ctrl-C")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, values, err := parseSettings(args, s.ParseRange)
		if err != nil {
			for _, arg := range args {
				if bit, notBit := s.ParseBit(arg); notBit == nil {
					return misuse(cmd, "found bit %s, want whole registers: fettle read %v shows each bit that is on", arg, bit.Register)
				}
			}
			return misuse(cmd, "%w", err)
		}
		if len(values) > 0 {
			return misuse(cmd, "found a value, want registers only: fettle write sets them")
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			return v.read(ctx, registers)
		})
	}
	return cmd
}

// readDocument is what --json says of registers that were read.
type readDocument struct {
	stationDocument
	Registers []readingDocument `json:"registers"`
	costDocument
}

type readingDocument struct {
	Register cv.Register `json:"register"`
	State    string      `json:"state"` // proven, absent or unsure
	Value    *uint8      `json:"value"` // null where it is not proven
	Name     string      `json:"name"`
	Meaning  string      `json:"meaning,omitempty"`
}

// meaningWidth leaves room for the other columns on a screen of 100.
const meaningWidth = 80

// read reads registers, and fails where one could not be proven or none is there.
func (v *visit) read(ctx context.Context, registers []cv.Register) error {
	var readings []prog.Reading
	known := cv.Values{}
	found := map[prog.ReadState][]cv.Register{}
	for n, r := range registers {
		v.progress("reading", n, len(registers))
		got, err := v.ReadAlone(ctx, r)
		if err != nil {
			return err
		}
		readings = append(readings, got)
		found[got.State] = append(found[got.State], r)
		if got.State == prog.Proven {
			known[r] = got.Value
		}
	}
	v.progress("reading", len(registers), len(registers))
	d := readDocument{v.station, nil, v.cost()}
	t := newTable(column{"register", true}, column{"value", true}, column{"meaning", false})
	for _, got := range readings {
		row := readingDocument{Register: got.Register, State: got.State.String(), Value: got.Known(), Name: v.sheet.Named(got.Register).Name}
		if got.State == prog.Proven {
			row.Meaning = cv.InShort(got.Register, got.Value, known)
			t.AppendRow([]any{got.Register, got.Value, wrapped(strings.TrimSuffix(row.Name+": "+row.Meaning, ": "), meaningWidth, "")})
		}
		d.Registers = append(d.Registers, row)
	}
	var said strings.Builder
	if len(known) > 0 {
		said.WriteString(t.Render() + "\n\n")
	}
	if absent := found[prog.Absent]; len(absent) > 0 {
		fmt.Fprintf(&said, "The decoder does not have %s.\n", strings.Join(cv.Ranges(absent), ", "))
	}
	if unsure := found[prog.Unsure]; len(unsure) > 0 {
		fmt.Fprintf(&said, "Unsure, could not be proven: %s. Clean the wheels and the rails, and try again.\n",
			strings.Join(cv.Ranges(unsure), ", "))
	}
	fmt.Fprintf(&said, "%d of %s proven. %s\n", len(known), count(len(registers), "register"), v.taken())
	if err := v.answer(said.String(), d); err != nil {
		return err
	}
	if len(found[prog.Unsure]) > 0 || len(known) == 0 {
		return failure{status: saidNo}
	}
	return nil
}
