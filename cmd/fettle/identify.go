package main

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog"
	"fettle/prog/regset"
)

// newIdentify makes the verb identify.
func newIdentify() *cobra.Command {
	cmd := trackExits(&cobra.Command{
		Use:   "identify [flags]",
		Short: "Say what is on the programming track.",
		Long: `Maker's number, version, the modes in which the decoder answers, the address that it answers to and what decides
it. Nothing is written.

Makers' numbers are assigned by the NMRA. Their names come from a file of yours, in TOML:

  [makers]
  13 = "home-built"`,
		Example:               "  fettle identify\n  fettle identify --station bench:engine-30 --json",
		DisableFlagsInUseLine: true,
		Args:                  noArguments,
	},
		"identified",
		"maker or version could not be proven",
		"stopped with Ctrl-C")
	track := addTrack(cmd)
	makers := cmd.Flags().String("makers", "", "a `FILE` of makers' names")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		names, err := readMakers(*makers)
		if err != nil {
			return err
		}
		return track.visit(cmd, func(ctx context.Context, v *visit) error { return v.identify(ctx, names) })
	}
	return cmd
}

// noArguments refuses any argument.
func noArguments(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return misuse(cmd, "found %q, want flags only. See %s --help", args[0], cmd.CommandPath())
	}
	return nil
}

// readMakers reads a file of names by maker's number.
func readMakers(path string) (map[uint8]string, error) {
	names := map[uint8]string{}
	if path == "" {
		return names, nil
	}
	data, err := regset.ReadFile(path)
	if err != nil {
		return nil, err
	}
	doc, err := regtoml.Parse(path, data)
	if err != nil {
		return nil, err
	}
	doc.Root().Require("makers")
	if table, ok := doc.Root().Table("makers"); ok {
		for _, key := range table.Keys() {
			var number uint8
			if err := between(&number, 1, math.MaxUint8).Set(key.Name); err != nil {
				table.KeyErrorf(key, "found %q, want a maker's number from 1 to 255", key.Name)
			}
			names[number], _ = table.String(key.Name)
		}
	}
	return names, doc.Err()
}

// identify says what the decoder is.
func (v *visit) identify(ctx context.Context, names map[uint8]string) error {
	id, err := prog.Identify(ctx, v.Session)
	if err != nil {
		return err
	}
	d := v.identity(id, names)
	return v.answer(d.text(id), d)
}

// identityDocument is what --json says of a decoder.
type identityDocument struct {
	stationDocument
	Maker           uint8            `json:"maker"`
	MakerName       string           `json:"maker_name,omitempty"`
	Version         uint8            `json:"version"`
	ResetIncomplete bool             `json:"reset_incomplete"`
	Modes           []string         `json:"modes"`
	Address         *addressDocument `json:"address"` // null where it is not known
	AddressReasons  []string         `json:"address_reasons"`
	Consist         uint8            `json:"consist"` // 0: none, or not known
	ConsistReversed bool             `json:"consist_reversed"`
	Registers       []valueDocument  `json:"registers"`
	RestMA          float64          `json:"rest_ma"`
	PulseMA         float64          `json:"pulse_ma"`
	PulseMS         float64          `json:"pulse_ms"`
	Lost            float64          `json:"lost_chance"`  // part of the acknowledgements that go missing
	False           float64          `json:"false_chance"` // part of the questions after which one comes from nowhere
	Pace            string           `json:"pace"`
	Slower          bool             `json:"slower"` // than the standard allows
	costDocument
}

type addressDocument struct {
	Number uint16 `json:"number"`
	Long   bool   `json:"long"`
}

type valueDocument struct {
	Register cv.Register `json:"register"`
	Value    uint8       `json:"value"`
}

func (v *visit) identity(id prog.Identity, names map[uint8]string) identityDocument {
	u := id.InUse()
	d := identityDocument{
		stationDocument: v.station, costDocument: v.cost(),
		Maker: id.Maker, MakerName: names[id.Maker], Version: id.Version, ResetIncomplete: id.Maker == cv.MakerResetting,
		AddressReasons: u.Reasons, Consist: u.Consist, ConsistReversed: u.ConsistReversed,
		RestMA: tenth(float64(id.Rest)), PulseMA: tenth(float64(id.Height)), PulseMS: tenth(id.Pulse.Seconds() * 1000),
	}
	lost, spurious := v.Noise()
	d.Lost, d.False = math.Round(lost*1000)/1000, math.Round(spurious*1000)/1000
	d.Pace, d.Slower = v.Pace()
	for _, m := range id.Modes {
		d.Modes = append(d.Modes, m.String())
	}
	if u.Known {
		d.Address = &addressDocument{u.Address.Number, u.Address.Kind == nmra.Long}
	}
	for _, r := range id.Registers.Registers() {
		d.Registers = append(d.Registers, valueDocument{r, id.Registers[r]})
	}
	return d
}

func tenth(x float64) float64 { return math.Round(x*10) / 10 }

// text is the same for people, one fact a line.
func (d identityDocument) text(id prog.Identity) string {
	var b strings.Builder
	fact := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-9s  %s\n", name, fmt.Sprintf(format, args...))
	}
	held := func(c nmra.CV) string {
		if v, ok := id.Registers[cv.Register{CV: c}]; ok {
			return fmt.Sprint(v)
		}
		return "nothing that could be read"
	}
	switch {
	case d.ResetIncomplete:
		fact("maker", "%d: a factory reset may not be complete: turn the track off and on, and identify again", d.Maker)
	case d.Maker == cv.MakerIsExtended:
		fact("maker", "%d: its number is in registers 107 and 108, which hold %s and %s", d.Maker, held(107), held(108))
	case d.MakerName != "":
		fact("maker", "%d: %s", d.Maker, d.MakerName)
	default:
		fact("maker", "%d", d.Maker)
	}
	if d.Maker == cv.MakerIsExtended {
		fact("version", "%d, and registers 109 to 111 hold %s, %s and %s", d.Version, held(109), held(110), held(111))
	} else {
		fact("version", "%d", d.Version)
	}
	fact("answers", "%s", strings.Join(d.Modes, ", "))
	fact("address", "%v", id.InUse())
	if configuration, ok := id.Registers[cv.Register{CV: cv.Configuration}]; ok {
		if configuration>>cv.ReversedBit&1 == 1 {
			fact("direction", "reversed: bit 0 of 29 is set")
		}
		if configuration>>cv.StepsBit&1 == 0 {
			fact("steps", "14: bit 1 of 29 is not set, so a station must send it 14 speed steps")
		}
	}
	switch {
	case d.PulseMA > 0:
		fact("track", "%.0f mA at rest; acknowledges with %.0f mA for %.1f ms", d.RestMA, d.PulseMA, d.PulseMS)
	case d.RestMA > 0:
		fact("track", "%.0f mA at rest; the station does not measure acknowledgements", d.RestMA)
	default:
		fact("track", "the station does not measure its current")
	}
	if d.Slower {
		fact("pace", "%s", slowerWords(d.Pace))
	}
	if d.Lost >= 0.01 || d.False >= 0.005 {
		fact("noise", "about %.0f %% of the acknowledgements go missing and %.0f %% come from nowhere: clean wheels and rails",
			d.Lost*100, d.False*100)
	}
	return b.String()
}
