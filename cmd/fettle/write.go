package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/regset"
	"fettle/prog/sheet"
	"fettle/station"
)

// newWrite makes the verb write.
func newWrite() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "write REG=VALUE... [flags]",
		Short: "Set registers, and prove each value.",
		Long: `REG is a register, as 3, one on an index page, as 260@16.3, or one bit, as 29.5. It is done as apply does a set: read
first, journal, write what differs, read back, and again after a power cycle.

With --main the values go to a decoder on the main track, where nothing comes back: they are sent, not proven. Every
decoder at that address takes them. What makes the address, registers 17, 18, 19, 29 and 1, goes last and in this order:
once one of them has changed it, the decoder may not hear the next one. The vehicle stands on a live track and may move:
keep hands and tools clear.`,
		Example:               "  fettle write 3=12 4=9 29.3=1\n  fettle write --main --address 4203 --long 3=12",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "nothing to write: want REG=VALUE, as 3=12 or 29.5=1")
			}
			return nil
		},
	},
		"every register holds its value, and that is proven; with --main: sent, not proven",
		"a register does not, or could not be proven",
		"stopped half-way; the journal named can resume it or undo it")
	track, sheetFile := addTrack(cmd), addSheet(cmd)
	onMain := mainFlags{}
	addMark(cmd.Flags(), &onMain.on, true, "main", "send to a decoder on the main track; needs --address")
	cmd.Flags().Var(between(&onMain.address, 0, nmra.MaxLong), "address", "with --main: the decoder's, 1 to 127, or with --long 0 to 10239")
	addMark(cmd.Flags(), &onMain.long, true, "long", "with --main: the address is a long one")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		set, err := parseWrites(args, s)
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		switch {
		case onMain.on:
			return track.writeMain(cmd, onMain, set)
		case onMain.long, cmd.Flags().Changed("address"):
			return misuse(cmd, "--address and --long: want them with --main only; fettle apply sets a decoder's address")
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error {
			if err := v.use(ctx, s); err != nil {
				return err
			}
			return v.write(ctx, set)
		})
	}
	return cmd
}

// parseWrites makes a set of arguments of the form REG=VALUE and BIT=VALUE. What a set must not say is an error, and what the sheet refuses.
func parseWrites(args []string, s sheet.Sheet) (regset.Set, error) {
	set := regset.Set{Decoder: s.Decoder, Title: "write " + strings.Join(args, " "), Bits: map[cv.Bit]bool{}}
	var whole []string
	for _, arg := range args {
		notation, text, valued := strings.Cut(arg, "=")
		if !valued {
			return set, fmt.Errorf("%s: found no value, want REG=VALUE", arg)
		}
		points := strings.Count(notation, ".")
		if points == 0 || points == 1 && strings.Contains(notation, "@") {
			whole = append(whole, arg)
			continue
		}
		bit, err := s.ParseBit(notation)
		if err != nil {
			return set, err
		}
		if text != "0" && text != "1" {
			return set, fmt.Errorf("%s: found %q, want 0 or 1 for a bit", arg, text)
		}
		if _, twice := set.Bits[bit]; twice {
			return set, fmt.Errorf("%s: bit %v comes twice", arg, bit)
		}
		set.Bits[bit] = text == "1"
	}
	var err error
	if _, set.Registers, err = parseSettings(whole, s.ParseRange); err != nil {
		return set, err
	}
	for bit := range set.Bits {
		if _, twice := set.Registers[bit.Register]; twice {
			return set, fmt.Errorf("found register %v and bit %v of it, want one of them", bit.Register, bit)
		}
	}
	return set, set.Refused(s)
}

// write puts the values on the decoder.
func (v *visit) write(ctx context.Context, set regset.Set) error {
	j, err := v.newJournal(ctx, "write", "write", set.Title)
	if err != nil {
		return err
	}
	b, err := v.batch(ctx, j, func() (prog.Plan, error) { return v.prepare(ctx, set) })
	if err != nil {
		return err
	}
	return v.outcome(b)
}

// mainFlags are those of a write on the main.
type mainFlags struct {
	on      bool
	address uint16
	long    bool
}

// sentDocument is what --json says of a write on the main.
type sentDocument struct {
	stationDocument
	Address   addressDocument `json:"address"`
	Registers []valueDocument `json:"registers"`          // that were sent
	Proven    bool            `json:"proven"`             // never: nothing comes back
	Moved     bool            `json:"address_may_differ"` // what was sent may have changed it
}

// writeMain sends the values to an address on the main.
func (t *trackFlags) writeMain(cmd *cobra.Command, m mainFlags, set regset.Set) (err error) {
	address := nmra.Address{Kind: nmra.Short, Number: m.address}
	if m.long {
		address.Kind = nmra.Long
	}
	switch {
	case !cmd.Flags().Changed("address"):
		return misuse(cmd, "--main: no --address, want that of the decoder")
	case !address.Valid():
		return misuse(cmd, "--address %d: want 1 to %d, or --long with it", m.address, nmra.MaxShort)
	case len(set.Bits) > 0:
		return misuse(cmd, "--main: found a bit, want whole registers: the others of its bits are not known there")
	}
	for r := range set.Registers {
		if r.Page != (cv.Page{}) {
			return misuse(cmd, "--main: found %v, want registers without a page: set 31 and 32 first, then %d", r, r.CV)
		}
	}
	s, err := t.open()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	v := &visit{stdout: cmd.OutOrStdout(), asJSON: *t.asJSON, stopper: func() interrupted { return interruption(cmd.Context()) }}
	if err := v.arrive(s); err != nil {
		return err
	}
	mainTrack, ok := s.(station.Main)
	if !ok {
		return failure{badUse, fmt.Errorf("%v: it has no main track", s.Describe())}
	}
	d := sentDocument{v.station, addressDocument{address.Number, m.long}, []valueDocument{}, false, false}
	text := ""
	for _, r := range onMainOrder(set.Registers) {
		value := set.Registers[r]
		if err := prog.WriteOnMain(cmd.Context(), mainTrack, address, r.CV, value); err != nil {
			return errors.Join(v.said(err), v.answer(text, d)) // what was sent before it may have arrived
		}
		d.Registers = append(d.Registers, valueDocument{r, value})
		text += fmt.Sprintf("register %v = %d to %v: sent, not proven\n", r, value, address)
		if !d.Moved && decidesAddress(r) {
			d.Moved = true
			text += "From here on it may answer to another address.\n"
		}
	}
	return v.answer(text, d)
}

// addressOrder are the registers that make a decoder's address, in the order in which they are sent: 17 takes effect with 18 only, 29
// chooses between what was sent before, and 1 clears parts of both 19 and 29 (S-9.2.3, section E).
var addressOrder = []nmra.CV{17, 18, 19, 29, 1}

// onMainOrder sorts registers so that those that make the address go last.
func onMainOrder(values cv.Values) []cv.Register {
	registers := values.Registers()
	place := func(r cv.Register) int { return slices.Index(addressOrder, r.CV) } // -1: before all of them
	slices.SortStableFunc(registers, func(a, b cv.Register) int { return cmp.Compare(place(a), place(b)) })
	return registers
}

// decidesAddress says whether a decoder may answer to another address once the register has been sent. 17 waits for 18.
func decidesAddress(r cv.Register) bool { return r.CV != 17 && slices.Contains(addressOrder, r.CV) }
